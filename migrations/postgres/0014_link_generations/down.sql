DROP TABLE link_generations;
