DROP TABLE component_sightings;
