-- Older programs do not know these numbers.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = params - 'wander_days' - 'wander_memory' - 'wander_most' - 'wander_noise' - 'level_above_code';
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
