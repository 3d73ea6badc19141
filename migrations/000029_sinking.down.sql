-- Older programs do not know these numbers.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = params - 'sink_near' - 'sink_far' - 'sink_odds';
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
