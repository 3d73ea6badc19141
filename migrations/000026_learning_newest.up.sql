CREATE INDEX param_sets_newest ON param_sets (organisation_id, created_at DESC, version DESC);
