// Package worker is what happens to a reading after the stream has it on disk.
//
// The way of one reading: assemble gathers messages into a batch (batch.go);
// commit inserts the batch's rows, adds them to the memory of each vehicle's
// trend and marks the vehicles as changed, in one transaction, after which the
// messages are acknowledged (commit.go, tracks.go). The evaluator takes changed
// vehicles, says what is expected of each, and records that with the warnings
// raised and ended and one job for each live warning (evaluate.go,
// deliveries.go). Once a day every vehicle is evaluated, for time alone moves
// a forecast (daily.go). Old records are replayed when they have gone quiet
// (history.go).
//
// Any number of workers may run at once: a vehicle's row lock makes its
// changes one after the other, and the database's keys make a message that is
// delivered twice count once.
package worker
