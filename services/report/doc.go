// Package report exports tables of readings, tracks, outlooks, warnings and
// the fleet summary. A table has one row source and each file format one
// encoder; a source hands over row after row in constant memory and knows
// nothing of formats. A PDF is no encoder's: what it shows cannot all be added up
// from rows, so the reports that have pages lay them out themselves.
package report
