CREATE INDEX digests_due ON digests (next_at);
