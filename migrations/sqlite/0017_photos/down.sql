DROP TABLE photos;
DROP TABLE photo_contents;
