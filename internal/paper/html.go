package paper

import (
	"bytes"
	"fmt"
	"html/template"
	"strings"
	"time"
)

// HTML returns the document as one page that stands on its own and prints.
func (d *Document) HTML() ([]byte, error) {
	var parts []template.HTML
	for _, b := range d.Blocks {
		parts = append(parts, b.html())
	}
	var out bytes.Buffer
	err := sheet.Execute(&out, struct {
		*Document
		Made  string
		Style template.CSS
		Parts []template.HTML
	}{d, d.Made.UTC().Format(time.RFC3339), template.CSS(sheetCSS + tintCSS()), parts})
	if err != nil {
		return nil, fmt.Errorf("write %q: %w", d.Title, err)
	}
	return out.Bytes(), nil
}

var sheet = template.Must(template.New("sheet").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="description" content="{{.Subject}}">
<meta name="date" content="{{.Made}}">
<title>{{.Title}}</title>
<style>
{{.Style}}</style>
</head>
<body{{if .Wide}} class="wide"{{end}}>
<header><h1>{{.Title}}</h1>{{if .Subtitle}}<p>{{.Subtitle}}</p>{{end}}</header>
<main>
{{range .Parts}}{{.}}
{{end}}</main>
<footer>{{.Foot}}</footer>
</body>
</html>
`))

const sheetCSS = `@page { size: A4; margin: 15mm; }
:root { color: ` + ink + `; background: #fff; font: 15px/1.4 system-ui, sans-serif; }
body { max-width: 52rem; margin: 0 auto; padding: 1rem; }
body.wide { max-width: 76rem; }
header { border-bottom: 2px solid ` + deep + `; margin-bottom: 1rem; }
h1 { font-size: 1.5rem; margin: 0; } header p { margin: 0.1rem 0 0.5rem; color: ` + quiet + `; }
h2 { font-size: 1.05rem; margin: 1.1rem 0 0.3rem; color: ` + deep + `; break-after: avoid; }
p { margin: 0.4rem 0; } .small, figcaption, footer { font-size: 0.85rem; color: ` + quiet + `; }
ul, ol { margin: 0.4rem 0; padding-left: 1.5rem; } ul.tick { list-style: "\2610\00a0\00a0"; }
dl { display: grid; grid-template-columns: repeat(auto-fill, minmax(20rem, 1fr)); gap: 0.15rem 1.5rem; margin: 0.4rem 0; }
dl div { display: grid; grid-template-columns: 11rem 1fr; } dt { color: ` + quiet + `; } dd { margin: 0; }
.box { border: 2px solid ` + deep + `; padding: 0.4rem 1rem; margin: 0.8rem 0; break-inside: avoid; } .box h2 { margin: 0.2rem 0; }
.scroll { overflow-x: auto; } table { border-collapse: collapse; width: 100%; margin: 0.4rem 0; }
th, td { text-align: left; vertical-align: top; padding: 0.25rem 0.8rem 0.25rem 0; border-bottom: 1px solid ` + rule + `; }
thead th { border-bottom: 1px solid ` + quiet + `; color: ` + quiet + `; font-size: 0.85rem; } .right { text-align: right; } tr.strong { font-weight: 700; } tr { break-inside: avoid; }
.sheet { break-before: page; margin-top: 2rem; } table.small { font-size: 0.85rem; }
.drawings { display: flex; flex-wrap: wrap; gap: 1rem; margin: 0.6rem 0; } figure { margin: 0; break-inside: avoid; flex: 1 1 18rem; } .chart { width: 100%; height: auto; }
.signature { display: flex; gap: 1.5rem; margin-top: 3.5rem; break-inside: avoid; } .signature div { flex: 1; border-top: 1px solid ` + ink + `; font-size: 0.85rem; color: ` + quiet + `; }
footer { border-top: 1px solid ` + rule + `; margin-top: 1.5rem; padding-top: 0.4rem; }
@media print { :root { font-size: 11px; } body { max-width: none; padding: 0; } }
`

// render fills a small template; what it is given is escaped by html/template.
func render(t *template.Template, data any) template.HTML {
	var b strings.Builder
	// A strings.Builder takes everything, and the templates fit their data: a
	// test renders each.
	if err := t.Execute(&b, data); err != nil {
		return template.HTML(template.HTMLEscapeString(err.Error()))
	}
	return template.HTML(b.String())
}

func piece(text string) *template.Template { return template.Must(template.New("").Parse(text)) }

var (
	headingHTML   = piece(`<h2>{{.}}</h2>`)
	pageHTML      = piece(`<header class="sheet"><h1>{{.Title}}</h1>{{if .Subtitle}}<p>{{.Subtitle}}</p>{{end}}</header>`)
	textHTML      = piece(`<p>{{.}}</p>`)
	smallHTML     = piece(`<p class="small">{{.}}</p>`)
	numberHTML    = piece(`<ol>{{range .Items}}<li>{{.}}</li>{{end}}</ol>`)
	dashHTML      = piece(`<ul{{if eq .Mark 2}} class="tick"{{end}}>{{range .Items}}<li>{{.}}</li>{{end}}</ul>`)
	factsHTML     = piece(`<dl>{{range .}}<div><dt>{{.Name}}</dt><dd>{{.Value}}</dd></div>{{end}}</dl>`)
	boxHTML       = piece(`<section class="box"><h2>{{.Title}}</h2><ul>{{range .Items}}<li>{{.}}</li>{{end}}</ul></section>`)
	signatureHTML = piece(`<div class="signature">{{range .}}<div>{{.}}</div>{{end}}</div>`)
	tableHTML     = piece(`{{$t := .}}<div class="scroll"><table{{if .Small}} class="small"{{end}}><colgroup>{{range .Shares}}<col style="width:{{.}}%">{{end}}</colgroup><thead><tr>{{range .Columns}}<th scope="col"{{if .Right}} class="right"{{end}}>{{.Title}}</th>{{end}}</tr></thead><tbody>
{{range .Rows}}<tr{{if .Strong}} class="strong"{{end}}>{{range $i, $c := .Cells}}<td{{if (index $t.Columns $i).Right}} class="right"{{end}}>{{$c}}</td>{{end}}</tr>
{{end}}</tbody></table></div>`)
	drawingsHTML = piece(`<div class="drawings">{{range .}}<figure>{{.SVG}}{{if .Caption}}<figcaption>{{.Caption}}</figcaption>{{end}}</figure>{{end}}</div>`)
)

func (h Heading) html() template.HTML   { return render(headingHTML, h) }
func (s Sheet) html() template.HTML     { return render(pageHTML, s) }
func (t Text) html() template.HTML      { return render(textHTML, t) }
func (t Small) html() template.HTML     { return render(smallHTML, t) }
func (f Facts) html() template.HTML     { return render(factsHTML, f) }
func (b Box) html() template.HTML       { return render(boxHTML, b) }
func (s Signature) html() template.HTML { return render(signatureHTML, s) }
func (t Table) html() template.HTML     { return render(tableHTML, t) }

// Shares are the columns' widths in percent.
func (t Table) Shares() []int {
	total, shares := 0.0, make([]int, len(t.Columns))
	for _, c := range t.Columns {
		total += c.Width
	}
	for i, c := range t.Columns {
		shares[i] = int(100 * c.Width / total)
	}
	return shares
}

func (l List) html() template.HTML {
	if l.Mark == Number {
		return render(numberHTML, l)
	}
	return render(dashHTML, l)
}

func (d Drawing) html() template.HTML { return Drawings{Items: []Drawing{d}}.html() }

// html trusts the SVG: creepage/internal/draw made it and escaped its text.
func (d Drawings) html() template.HTML {
	type figure struct {
		SVG     template.HTML
		Caption string
	}
	figures := make([]figure, len(d.Items))
	for i, one := range d.Items {
		figures[i] = figure{template.HTML(one.SVG), one.Caption}
	}
	return render(drawingsHTML, figures)
}
