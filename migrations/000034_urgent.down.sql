DROP INDEX latest_outlooks_urgent;
CREATE INDEX latest_outlooks_urgent ON latest_outlooks (organisation_id, p90 DESC, vehicle_id);
