ALTER TABLE outlooks ALTER COLUMN details SET COMPRESSION default;
ALTER TABLE latest_outlooks ALTER COLUMN details SET COMPRESSION default;
