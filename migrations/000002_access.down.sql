DROP TABLE param_sets, audit, keys, calibrations, meters, shops, organisations;
