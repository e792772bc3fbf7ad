-- Links are signed and taken back per person (link_generations); no row is kept of one.
DROP TABLE answer_links;
