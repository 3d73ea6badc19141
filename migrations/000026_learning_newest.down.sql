DROP INDEX param_sets_newest;
