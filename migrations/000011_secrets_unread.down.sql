REVOKE SELECT, UPDATE ON keys FROM creepage_api;
GRANT SELECT, UPDATE ON keys TO creepage_api;
