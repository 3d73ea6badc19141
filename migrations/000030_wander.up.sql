-- Learned sets that stand were learned while monitors' values counted as independent looks and
-- level priors did not know the code limit: they go on so until the next night's learning.
ALTER TABLE param_sets NO FORCE ROW LEVEL SECURITY;
UPDATE param_sets SET params = '{"wander_noise": 0, "level_above_code": 0}' || params WHERE NOT params ?& array['wander_noise', 'level_above_code'];
ALTER TABLE param_sets FORCE ROW LEVEL SECURITY;
