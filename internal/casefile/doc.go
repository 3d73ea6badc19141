// Package casefile is what is shown of one vehicle: its charts, and the
// sentences about its outlook. The board and the reports on paper show the same
// because both take it from here. It works on the contract's messages, does no
// input or output and knows no clock.
package casefile
