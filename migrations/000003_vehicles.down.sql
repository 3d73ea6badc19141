DROP TABLE codes, repairs, vehicle_checkpoints, vehicle_states, vehicle_aliases, vehicles, platform_versions, platforms;
