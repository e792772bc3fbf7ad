DROP TABLE travel_times;
