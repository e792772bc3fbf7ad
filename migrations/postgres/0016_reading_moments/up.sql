-- When exactly a reading was taken, if its sender knew; the day stands in taken_on.
ALTER TABLE readings ADD COLUMN taken_at TIMESTAMP;
