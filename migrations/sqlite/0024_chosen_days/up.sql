-- Days on which a visit may happen that the office chose stay when the agreement changes; others follow it.
ALTER TABLE visits ADD COLUMN days_chosen BOOLEAN NOT NULL DEFAULT FALSE;
UPDATE visits SET days_chosen = TRUE
WHERE id IN (SELECT subject_id FROM audit WHERE subject_kind = 'visit' AND action = 'change');
