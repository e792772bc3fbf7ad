DROP TABLE weather_sources;
ALTER TABLE weather_findings DROP COLUMN remedy;
ALTER TABLE weather_findings DROP COLUMN expected_high_celsius;
ALTER TABLE weather_findings DROP COLUMN expected_low_celsius;
ALTER TABLE weather_findings DROP COLUMN value_celsius;
ALTER TABLE weather_findings DROP COLUMN last_day;
