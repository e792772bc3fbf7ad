DROP TABLE risk_models;
DROP TABLE scores;
DROP TABLE runs;
DROP TABLE weather_findings;
DROP TABLE weather_forecast_days;
DROP TABLE weather_day_corrections;
DROP TABLE weather_days;
