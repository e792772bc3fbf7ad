DROP TABLE slot_holds;
