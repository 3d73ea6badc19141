package paper

import (
	"fmt"
	"strconv"
	"strings"
)

// The palette: one hue by depth. In grey its depths stay apart.
const (
	ink   = "#231a21"
	quiet = "#64555f"
	rule  = "#dccfd8"
	well  = "#f6f1f4"
	deep  = "#521a46"
)

// tint gives the shapes of a chart, named by their class, the palette's
// colours in place of the grey they carry. A shape takes every tint whose
// classes it has all of, later ones winning.
type tint struct {
	classes      string // as in CSS without the dots, "mark above" is both
	fill, stroke string // "" leaves what the shape has
}

var tints = []tint{
	{"grid", quiet, rule}, {"axis", "", quiet}, {"future", well, ""}, {"now", "", quiet},
	{"band", "#cdb0c7", ""}, {"median", "", "#86447a"}, {"fan", "#b98fae", ""}, {"course", "", "#86447a"},
	{"limit", "", ink}, {"expected", "#ffffff", ink}, {"words", ink, ""}, {"key", quiet, ""}, {"drop", "", quiet},
	{"marks", deep, deep}, {"events", deep, deep}, {"event", deep, deep}, {"key-event", deep, deep}, {"key-mark", deep, deep},
	{"mark monitor", "#86447a", "none"}, {"key-mark monitor", "#86447a", "none"},
	{"mark above", "#ffffff", deep}, {"mark below", "#ffffff", deep}, {"mark doubted", "#ffffff", deep},
	{"key-mark above", "none", deep}, {"key-mark below", "none", deep}, {"key-mark doubted", "none", deep},
	{"bar first", deep, deep}, {"bar second", "#eadfe7", deep}, {"bar third", "#b98fae", deep},
	{"whisker", "", "#86447a"}, {"point", deep, deep}, {"point open", "#ffffff", deep},
	{"repair", "#ffffff", deep}, {"ended", "#ffffff", deep},
}

// tintOf returns fill and stroke for the classes of a shape.
func tintOf(classes []string) (fill, stroke string) {
	for _, t := range tints {
		if !hasAll(classes, strings.Fields(t.classes)) {
			continue
		}
		if t.fill != "" {
			fill = t.fill
		}
		if t.stroke != "" {
			stroke = t.stroke
		}
	}
	return fill, stroke
}

func hasAll(have, want []string) bool {
next:
	for _, w := range want {
		for _, h := range have {
			if h == w {
				continue next
			}
		}
		return false
	}
	return true
}

// tintCSS is the tints as rules of a style sheet.
func tintCSS() string {
	var b strings.Builder
	for _, t := range tints {
		fmt.Fprintf(&b, ".chart .%s {", strings.ReplaceAll(t.classes, " ", "."))
		if t.fill != "" {
			fmt.Fprintf(&b, " fill: %s;", t.fill)
		}
		if t.stroke != "" {
			fmt.Fprintf(&b, " stroke: %s;", t.stroke)
		}
		b.WriteString(" }\n")
	}
	return b.String()
}

// rgb reads a colour written as #rgb or #rrggbb.
func rgb(colour string) (r, g, b int, err error) {
	hex := strings.TrimPrefix(colour, "#")
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	v, err := strconv.ParseUint(hex, 16, 32)
	if err != nil || len(hex) != 6 || len(hex) == len(colour) {
		return 0, 0, 0, fmt.Errorf("%q is no colour such as #231a21", colour)
	}
	return int(v >> 16), int(v >> 8 & 255), int(v & 255), nil
}
