// Package sheet reads tables of readings as people keep them and takes them to
// the service: row by row, with constant memory, resumable, each bad row set
// aside with its reason in a file that can be mended and sent again.
package sheet
