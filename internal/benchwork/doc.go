// Package benchwork is what the bench works out: answers to the technician's
// questions as messages of the contract, with their steps, and the papers that
// are printed of them. It does no input or output and knows no clock; the
// service calls it with what is stored, the command line with what it is given,
// so both say the same.
package benchwork
