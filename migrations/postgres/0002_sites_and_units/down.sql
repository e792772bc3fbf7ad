DROP TABLE readings;
DROP TABLE components;
DROP TABLE units;
DROP TABLE agreements;
DROP TABLE contacts;
DROP TABLE site_absences;
DROP TABLE sites;
