-- The risk list sorts the scores in force of a branch: what it sorts by lies in the index, behind the run,
-- so that neither reasons nor the scores of earlier nights are read.
CREATE INDEX scores_ranking ON scores (branch_id, run_id, component_id, p_season, heat_age, expected_heat_left);
DROP INDEX scores_branch;
