CREATE INDEX webhook_deliveries_newest ON webhook_deliveries (endpoint_id, created_at DESC, id DESC);
