REVOKE INSERT ON audit FROM creepage_worker;
DROP TABLE webhook_deliveries;
DROP TABLE webhook_endpoints;
DROP FUNCTION send_webhook_delivery();
