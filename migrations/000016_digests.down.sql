DROP TABLE digests;
