DROP INDEX digests_due;
