-- A warning that was never news is deleted when its history is told anew.
CREATE INDEX warning_changes_by_warning ON warning_changes (warning_id);
