DROP INDEX visits_branch_site;
DROP INDEX scores_branch_component;
DROP INDEX readings_branch_component;
DROP INDEX components_branch_unit;
DROP INDEX units_branch_site;
DROP INDEX contacts_branch_site;
