// Package wire turns messages of the contract (api/creepage/v1) into values of
// the domain and back. It is the one place that knows both.
//
// Turning a message into a value checks what only the message can get wrong:
// resource names, enum numbers, timestamps, NaN where a field should be left
// out. Whether a value makes sense is the domain's to say. Errors are
// FieldErrors, whose paths are the contract's own (`precautions.residual_volts`).
//
// A field left out is NaN (floats), empty (strings) or zero (times) in the
// domain. Times are kept to the microsecond, as the database keeps them, so
// that a reading has one identity everywhere.
package wire
