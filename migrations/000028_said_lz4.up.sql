-- Every vehicle's latest outlook is written each night. LZ4 packs it in a fraction of
-- the default method's time; rows that stand keep theirs until they are written again,
-- and a server built without it keeps the default.
DO $$
BEGIN
    ALTER TABLE latest_outlooks ALTER COLUMN details SET COMPRESSION lz4;
    ALTER TABLE outlooks ALTER COLUMN details SET COMPRESSION lz4;
EXCEPTION
    WHEN feature_not_supported OR invalid_parameter_value THEN NULL;
END
$$;
