DROP TABLE technician_absences;
DROP TABLE technician_shifts;
DROP TABLE technician_skills;
DROP TABLE technicians;
DROP TABLE branch_holidays;
DROP TABLE branches;
DROP TABLE weather_stations;
