// Package draw makes the charts of the project: insulation resistance over
// time on a logarithmic ohm axis, small ones of the same, and spark lines, as
// SVG text. It does no input or output and knows no clock: the same arguments
// give the same bytes.
//
// An SVG stands on its own (its shapes carry grey presentation attributes, so
// that it prints and converts without a style sheet) and names every shape's
// meaning in its class, so that a page can give it the colours of its own
// light or dark scheme. Text is real text; every chart has a title and a
// description for people who hear it instead.
package draw
