// Package paper makes documents for print: a Document is a list of blocks
// (headings, facts, tables, charts, room for a signature), written once and
// given as PDF pages or as one HTML sheet, so that the two cannot say different
// things. Records of visits, test plans and reports are made of it.
//
// A PDF is A4 with its fonts embedded, real text, a title in its metadata and
// "page n of m" at the foot of every page. A chart is the SVG that
// creepage/internal/draw made, drawn as vectors: the same chart as on the
// board. The HTML stands on its own, without script, and prints on A4.
//
// The package does no input or output and knows no clock: the same document
// gives the same bytes. Depth of one hue, shapes and words carry meaning, so a
// grey print loses nothing.
package paper
