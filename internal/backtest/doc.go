// Package backtest replays a fleet's records in order of arrival through the
// very trend code the service runs, writes down what would have been said and
// when, and, where the truth is known, scores it beside simpler methods.
//
// A replay never looks ahead. Per vehicle, entries are added in order of
// arrival; the warn rule is evaluated when they arrive and once a day at 00:00
// UTC until the records' last row; outlooks stand at days 7, 14, ... from the
// UTC day of the first row, until the vehicle's last row. What the fleet teaches is
// learned at fixed replay times from what arrived before. Truncating the
// records after a time leaves everything said up to then unchanged, to the bit.
package backtest
