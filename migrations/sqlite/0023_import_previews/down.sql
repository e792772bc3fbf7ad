DROP TABLE import_preview_files;
DROP TABLE import_previews;
