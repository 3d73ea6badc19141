DROP TRIGGER keep_what_was_said ON warnings;
DROP FUNCTION keep_what_was_said();
ALTER TABLE warnings
    DROP CONSTRAINT warnings_end_reason,
    DROP CONSTRAINT warnings_acknowledge_note,
    DROP CONSTRAINT warnings_finding_note;
GRANT UPDATE (vehicle_id) ON outlooks, warnings TO creepage_api;
