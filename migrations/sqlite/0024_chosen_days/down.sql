ALTER TABLE visits DROP COLUMN days_chosen;
