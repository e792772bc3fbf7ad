CREATE INDEX scores_branch ON scores (branch_id, as_of);
DROP INDEX scores_ranking;
