DROP TABLE warning_changes;
DROP TABLE warning_change_counters;
DROP FUNCTION tell_of_warning_change();
