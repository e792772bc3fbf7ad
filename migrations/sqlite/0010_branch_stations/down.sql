ALTER TABLE sites DROP COLUMN elevation_metres;
DROP TABLE branch_stations;
