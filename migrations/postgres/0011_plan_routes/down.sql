DROP TABLE plan_routes;
