DROP TABLE notice_wordings;
