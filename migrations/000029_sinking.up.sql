-- Learned sets that stand were learned without the sinking of monitors' lowest values:
-- they go on without it, so that a version says what it always said, until the next night's learning.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = params || '{"sink_odds": 0}' WHERE NOT params ? 'sink_odds';
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
