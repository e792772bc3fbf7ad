DROP TABLE no_cool_calls;
