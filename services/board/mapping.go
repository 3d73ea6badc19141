package board

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"creepage/internal/insulation"
	files "creepage/internal/record"
	"creepage/internal/sheet"
)

// columnWords say what people call the columns of readings.csv.
var columnWords = map[string]string{
	"reading_id": "number of the reading", "shop": "shop", "vehicle": "vehicle", "platform": "platform", "measured_at": "taken at", "method": "method",
	"component": "component", "conductor": "conductor", "reference": "against", "relation": "sign (=, >, <)", "resistance_ohm": "resistance",
	"test_volt": "test voltage", "hold_s": "held for", "temperature_c": "air temperature", "humidity_pct": "humidity", "meter": "meter",
	"range_ohm": "top of the meter’s range", "visit": "visit", "quantity": "quantity (whole vehicle)", "part_temperature_c": "temperature of the part", "received_at": "received at",
}

// unitChoices are the units that a bare number of a column may be in, the usual one first.
var unitChoices = map[string][]string{
	"resistance_ohm": {"Ω", "kΩ", "MΩ", "GΩ"}, "range_ohm": {"Ω", "kΩ", "MΩ", "GΩ"}, "test_volt": {"V", "kV"}, "hold_s": {"s", "min"},
	"temperature_c": {"°C", "°F"}, "part_temperature_c": {"°C", "°F"}, "humidity_pct": {"%"},
}

// idColumns hold names that become ids.
var idColumns = []string{"shop", "vehicle", "platform", "meter"}

// wordsOf lists the words of a column that has some.
func wordsOf(column string) []string {
	var list []string
	switch column {
	case "method":
		list = textsOf(insulation.Tester, insulation.Monitor, insulation.Voltmeter)
	case "component":
		return components()
	case "conductor":
		list = textsOf(insulation.HVPlus, insulation.HVMinus, insulation.PhaseU, insulation.PhaseV, insulation.PhaseW, insulation.AllConductors)
	case "reference":
		list = textsOf(insulation.Chassis, insulation.Shield)
	}
	return list
}

func textsOf[T fmt.Stringer](values ...T) []string {
	list := make([]string, len(values))
	for i, v := range values {
		list[i] = v.String()
	}
	return list
}

// refuseWord says in a form that rows with a cell are to be refused.
const refuseWord = "-"

// wordChoice is a cell of a table with the word it means.
type wordChoice struct{ Name, Cell, Word string }

// columnChoice is how one column of readings.csv comes about.
type columnChoice struct {
	Name, Label string
	From        string // column of the file
	And         string // a second one, such as the time beside the date
	Constant    string
	Unit        string
	Units       []string
	HasID       bool
	MakeIDs     bool
	TwoParts    bool
	Needed      bool
	Allowed     []string
	Words       []wordChoice
}

// settling and columned are what parts of the page need.
type (
	settling struct {
		ID      string
		Form    *settleForm
		Visitor *visitor
	}
	columned struct {
		Column columnChoice
		Header []string
	}
)

// settleForm is how the columns of a file are to be read, as a form.
type settleForm struct {
	Header       []string
	Columns      []columnChoice // those that every file has
	More         []columnChoice // those it may have
	Phases       []columnChoice
	DecimalComma bool
	TimeForms    []string
	TimeZone     string
	TimeOfDay    string
	Unsure       []string
	Sheets       []string
}

func newSettleForm(t *table, m *sheet.Mapping) *settleForm {
	f := &settleForm{Header: t.Header}
	if m == nil {
		if len(t.Sheets) > 1 {
			f.Sheets = t.Sheets
		}
		m = &sheet.Mapping{}
	}
	f.DecimalComma, f.TimeZone, f.TimeOfDay, f.Unsure = m.DecimalComma, m.TimeZone, m.TimeOfDay, unsureTexts(m.Unsure)
	f.TimeForms = append(slices.Clone(m.TimeForms), make([]string, max(0, 2-len(m.TimeForms)))...)
	for _, name := range files.ReadingColumns {
		f.Columns = append(f.Columns, choiceOfColumn(name, t, m))
	}
	for _, name := range files.OptionalReadingColumns {
		f.More = append(f.More, choiceOfColumn(name, t, m))
	}
	for _, phase := range []string{"phase_u", "phase_v", "phase_w"} {
		f.Phases = append(f.Phases, columnChoice{Name: phase, Label: "phase " + strings.ToUpper(phase[len(phase)-1:]), From: m.Phases[phase]})
	}
	return f
}

func choiceOfColumn(name string, t *table, m *sheet.Mapping) columnChoice {
	c := columnChoice{Name: name, Label: columnWords[name], Constant: m.Constants[name], Unit: m.Units[name], Units: unitChoices[name], HasID: slices.Contains(idColumns, name),
		MakeIDs: slices.Contains(m.IDs, name), TwoParts: name == "measured_at" || name == "received_at", Allowed: wordsOf(name),
		Needed: slices.Contains([]string{"vehicle", "measured_at", "method", "component", "resistance_ohm"}, name)}
	if c.Unit != "" && !slices.Contains(c.Units, c.Unit) { // such as the header spells it
		c.Units = append([]string{c.Unit}, c.Units...)
	}
	if from := m.Columns[name]; len(from) > 0 {
		c.From = from[0]
		if len(from) > 1 {
			c.And = from[1]
		}
	}
	for i, cell := range t.Foreign[name] {
		c.Words = append(c.Words, wordChoice{Name: "word_" + name + "_" + strconv.Itoa(i), Cell: cell, Word: m.Words[name][cell]})
	}
	return c
}

// mappingOf reads the form.
func mappingOf(form url.Values, t *table) *sheet.Mapping {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	m := &sheet.Mapping{Columns: map[string]sheet.Names{}, Constants: map[string]string{}, Phases: map[string]string{}, Units: map[string]string{}, Words: map[string]map[string]string{},
		DecimalComma: get("decimal_comma") != "", TimeZone: get("time_zone"), TimeOfDay: get("time_of_day")}
	for _, text := range form["time_form"] {
		if text = strings.TrimSpace(text); text != "" {
			m.TimeForms = append(m.TimeForms, text)
		}
	}
	for _, name := range slices.Concat(files.ReadingColumns, files.OptionalReadingColumns) {
		for _, field := range []string{"from_", "and_"} {
			if column := form.Get(field + name); column != "" {
				m.Columns[name] = append(m.Columns[name], column)
			}
		}
		if text := get("same_" + name); text != "" {
			m.Constants[name] = text
		}
		if units := unitChoices[name]; len(units) > 0 {
			if unit := get("unit_" + name); unit != "" && unit != units[0] {
				m.Units[name] = unit
			}
		}
		if get("ids_"+name) != "" {
			m.IDs = append(m.IDs, name)
		}
		words := map[string]string{}
		for i, cell := range t.Foreign[name] {
			if word := get("word_" + name + "_" + strconv.Itoa(i)); word != "" && word != refuseWord {
				words[cell] = word
			}
		}
		if len(words) > 0 {
			for _, word := range wordsOf(name) { // the words themselves stay what they are
				words[word] = word
			}
			m.Words[name] = words
		}
	}
	for _, phase := range []string{"phase_u", "phase_v", "phase_w"} {
		if column := form.Get("from_" + phase); column != "" {
			m.Phases[phase] = column
		}
	}
	return m
}

// unsaid lists cells of which the form does not say what they mean.
func unsaid(form url.Values, t *table) string {
	var open []string
	for _, name := range slices.Concat(files.ReadingColumns, files.OptionalReadingColumns) {
		for i, cell := range t.Foreign[name] {
			field := "word_" + name + "_" + strconv.Itoa(i)
			if form.Get(field) == "" {
				open = append(open, fmt.Sprintf("%s “%s”", columnWords[name], cell))
			}
		}
	}
	if len(open) > 6 {
		open = append(open[:6], fmt.Sprintf("and %d more", len(open)-6))
	}
	return strings.Join(open, ", ")
}

// understood is how a column of readings.csv is read, in words.
type understood struct{ Label, From, How string }

// understood says how the columns are read. A file in the form of readings.csv
// has nothing to say.
func (p *uploadPage) understood() []understood {
	m := p.Mapping
	if m == nil {
		return nil
	}
	var list []understood
	for _, name := range slices.Concat(files.ReadingColumns, files.OptionalReadingColumns) {
		u := understood{Label: columnWords[name], From: strings.Join(m.Columns[name], " and ")}
		var how []string
		if name == "resistance_ohm" && u.From == "" && len(m.Phases) > 0 {
			for _, phase := range []string{"phase_u", "phase_v", "phase_w"} {
				if m.Phases[phase] != "" {
					how = append(how, "phase "+strings.ToUpper(phase[len(phase)-1:])+" from "+m.Phases[phase])
				}
			}
			u.From = "a column a phase"
		}
		if constant := m.Constants[name]; constant != "" {
			if u.From == "" {
				u.From = "the same in every row"
				how = append(how, constant)
			} else {
				how = append(how, constant+" where it is empty")
			}
		}
		if u.From == "" {
			continue
		}
		if units := unitChoices[name]; len(units) > 0 && (m.Columns[name] != nil || name == "resistance_ohm") {
			unit := m.Units[name]
			if unit == "" {
				unit = units[0]
			}
			how = append(how, "bare numbers are "+unit)
		}
		if name == "measured_at" && len(m.TimeForms) > 0 {
			how = append(how, strings.Join(m.TimeForms, " or ")+", "+m.TimeZone)
		}
		if slices.Contains(m.IDs, name) {
			how = append(how, "made into ids: LKW 17 becomes lkw-17")
		}
		for _, cell := range p.Table.Foreign[name] {
			if word := m.Words[name][cell]; word != "" {
				how = append(how, "“"+cell+"” is "+word)
			} else {
				how = append(how, "“"+cell+"” is refused")
			}
		}
		u.How = strings.Join(how, "; ")
		list = append(list, u)
	}
	return list
}

// unsureTexts says what a proposal leaves open in the words of the form; the
// proposal itself speaks of a mapping file.
func unsureTexts(unsure []string) []string {
	texts := make([]string, len(unsure))
	for i, text := range unsure {
		about, rest, _ := strings.Cut(text, ": ")
		column, _ := strings.CutPrefix(about, "words.")
		word := cmp.Or(columnWords[column], column)
		switch {
		case about == "time_zone":
			text = "In whose local time the times are. Say it under “In the local time of”."
		case about == "time_forms":
			text = "How times are written: " + rest + "."
		case about == "time_of_day":
			text = "What time stands for days without one, such as 12:00."
		case about == "units":
			_, such, _ := strings.Cut(rest, " such as ")
			number, _, _ := strings.Cut(such, " have none")
			text = "In which unit resistances such as " + number + " are, which have none. Say it beside the column."
		case strings.HasPrefix(about, "words."):
			text = "What the cells of “" + word + "” mean. Say it beside the column; other rows may hold more."
		case about == "ids":
			name, holds, _ := strings.Cut(rest, " ")
			names, _, _ := strings.Cut(holds, "; agree")
			text = upper(cmp.Or(columnWords[name], name)) + " " + names + ". Where they are to stay as they are, untick “make ids of names”."
		case strings.HasPrefix(rest, "no column looks like it"):
			text = "Which column holds “" + word + "”: none looks like it. Choose one, or say what it is in every row."
			switch column {
			case "platform":
				text += " Vehicles that are registered need neither."
			case "shop":
				text += " A monitor’s values need neither."
			case "conductor":
				text += " Left out it is all."
			case "reference":
				text += " Left out it is chassis."
			}
		case columnWords[column] != "":
			text = upper(word) + ": " + rest + "."
		}
		texts[i] = text
	}
	return texts
}
