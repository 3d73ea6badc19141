// Package report exports tables of readings, tracks, outlooks, warnings and
// the fleet summary. A table has one row source and each file format one
// encoder; a source hands over row after row in constant memory and knows
// nothing of formats.
package report
