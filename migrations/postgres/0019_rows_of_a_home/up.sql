-- What a page shows of a home is asked by branch and owner together. Without an index of both, SQLite
-- takes the branch's and walks through all its rows.
CREATE INDEX contacts_branch_site ON contacts (branch_id, site_id);
CREATE INDEX units_branch_site ON units (branch_id, site_id);
CREATE INDEX components_branch_unit ON components (branch_id, unit_id);
CREATE INDEX readings_branch_component ON readings (branch_id, component_id);
CREATE INDEX scores_branch_component ON scores (branch_id, component_id);
CREATE INDEX visits_branch_site ON visits (branch_id, site_id);
