DROP INDEX webhook_deliveries_newest;
