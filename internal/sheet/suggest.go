package sheet

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/agnivade/levenshtein"

	"creepage/internal/insulation"
	"creepage/internal/wire"
)

// usualNames are what shops call the columns, in English and German (common
// practice, no source). They are used for proposals only.
var usualNames = map[string][]string{
	"reading_id":         {"reading id", "record no", "measurement no", "id", "nr", "lfd nr", "messung nr"},
	"shop":               {"shop", "workshop", "site", "werkstatt", "standort", "betrieb"},
	"vehicle":            {"vehicle", "vehicle id", "vehicle no", "unit", "fleet no", "vin", "fahrzeug", "fahrzeugnummer", "fahrgestellnummer", "kennzeichen"},
	"platform":           {"platform", "vehicle type", "model", "typ", "fahrzeugtyp", "baureihe"},
	"measured_at":        {"measured at", "date", "date time", "timestamp", "datum", "messdatum", "zeitpunkt", "datum uhrzeit"},
	"method":             {"method", "test method", "methode", "verfahren"},
	"component":          {"component", "part", "komponente", "bauteil", "baugruppe"},
	"conductor":          {"conductor", "lead", "terminal", "leiter", "pol", "klemme"},
	"reference":          {"reference", "against", "bezug", "gegen"},
	"relation":           {"relation", "sign", "vorzeichen"},
	"resistance_ohm":     {"resistance", "insulation", "insulation resistance", "r iso", "riso", "widerstand", "isolationswiderstand", "messwert"},
	"test_volt":          {"test voltage", "test volt", "voltage", "prüfspannung", "messspannung"},
	"hold_s":             {"hold", "hold time", "test time", "duration", "haltezeit", "prüfdauer", "messdauer"},
	"temperature_c":      {"temperature", "air temperature", "ambient", "temp", "temperatur", "umgebungstemperatur", "lufttemperatur"},
	"humidity_pct":       {"humidity", "rh", "relative humidity", "feuchte", "luftfeuchte", "rel feuchte"},
	"meter":              {"meter", "instrument", "tester no", "messgerät", "gerät", "prüfgerät"},
	"range_ohm":          {"range", "meter range", "messbereich", "bereich"},
	"visit":              {"visit", "order", "job", "work order", "auftrag", "auftragsnummer"},
	"part_temperature_c": {"part temperature", "winding temperature", "bauteiltemperatur"},
}

// needed are the columns without which there is no reading, or one of which something
// is taken that nobody stated.
var needed = []string{"shop", "vehicle", "platform", "measured_at", "method", "component", "conductor", "reference", "resistance_ohm"}

// leftOut is what becomes of a row where a needed column is left out.
var leftOut = map[string]string{
	"shop":      "; a monitor's values need none",
	"platform":  "; neither is needed of vehicles that are registered",
	"conductor": "; left out it is all",
	"reference": "; left out it is chassis",
}

// sampleRows is how many rows a proposal looks at.
const sampleRows = 2000

// Suggest proposes a mapping from a table's header and first rows. What it
// cannot tell stands in Unsure, which a person must settle: an import refuses
// the proposal until then. sheet names that of a workbook; it may be empty where
// there is one only.
func Suggest(path, sheet string) (*Mapping, error) {
	header, rows, m, err := sample(path, sheet)
	if err != nil {
		return nil, err
	}
	m.Columns, m.Constants = map[string]Names{}, map[string]string{}
	m.nameColumns(header)
	cells := func(column string) []string { return m.cellsOf(column, header, rows) }
	m.proposeNumbers(cells)
	m.proposeTimes(cells("measured_at"))
	m.proposeWords(cells)
	m.proposeIDs(cells)
	for _, c := range needed {
		if _, ok := m.Columns[c]; !ok && !((c == "resistance_ohm" || c == "conductor") && len(m.Phases) > 0) {
			m.unsure("%s: no column looks like it; name one in columns, or the same for every row in constants%s", c, leftOut[c])
		}
	}
	m.askUnits(header, rows)
	return m, nil
}

// cellsOf lists what stands in a table's columns for a column of readings.csv.
func (m *Mapping) cellsOf(column string, header []string, rows [][]string) []string {
	var out []string
	for i, h := range header {
		for _, name := range m.Columns[column] {
			if h != name {
				continue
			}
			for _, row := range rows {
				if i < len(row) && strings.TrimSpace(row[i]) != "" {
					out = append(out, strings.TrimSpace(row[i]))
				}
			}
		}
	}
	return out
}

// Look says what a table holds that a mapping has to settle: its columns, and for
// each column of words the cells of the first rows that are none of them, each once.
func (m *Mapping) Look(path string) (header []string, foreign map[string][]string, err error) {
	header, rows, _, err := sample(path, m.Sheet)
	if err != nil {
		return nil, nil, err
	}
	found := Mapping{Columns: m.Columns}
	found.proposeWords(func(column string) []string { return m.cellsOf(column, header, rows) })
	foreign = map[string][]string{}
	for column, words := range found.Words {
		for _, cell := range keysOf(words) {
			if words[cell] == "" {
				foreign[column] = append(foreign[column], cell)
			}
		}
	}
	return header, foreign, nil
}

func (m *Mapping) unsure(format string, args ...any) {
	m.Unsure = append(m.Unsure, fmt.Sprintf(format, args...))
}

func sample(path, sheet string) (header []string, rows [][]string, m *Mapping, err error) {
	m = &Mapping{Sheet: sheet}
	if !strings.EqualFold(filepath.Ext(path), ".xlsx") {
		if m.Separator, err = separatorOf(path); err != nil {
			return nil, nil, nil, err
		}
	}
	t, err := openTable(path, m)
	if err != nil {
		return nil, nil, nil, err
	}
	defer func() { err = errors.Join(err, t.close()) }()
	for len(rows) <= sampleRows {
		cells, _, err := t.next()
		var bad errNotARow
		if errors.Is(err, io.EOF) {
			break
		}
		if errors.As(err, &bad) && len(rows) > 0 {
			continue
		}
		if err != nil {
			return nil, nil, nil, fmt.Errorf("%s: header: %w", path, err)
		}
		rows = append(rows, cells)
	}
	if len(rows) == 0 {
		return nil, nil, nil, fmt.Errorf("%s: the file is empty", path)
	}
	for i := range rows[0] {
		rows[0][i] = strings.TrimSpace(strings.TrimPrefix(rows[0][i], "\ufeff"))
	}
	return rows[0], rows[1:], m, nil
}

// separatorOf returns the separator that cuts the first line into most cells.
func separatorOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	start := make([]byte, 4096)
	n, err := io.ReadFull(f, start)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return "", err
	}
	line, _, _ := strings.Cut(string(start[:n]), "\n")
	best, most := ",", strings.Count(line, ",")
	for _, s := range []string{";", "\t"} {
		if c := strings.Count(line, s); c > most {
			best, most = s, c
		}
	}
	return best, nil
}

var unitInHeader = regexp.MustCompile(`[\[(/]\s*([^\])]+?)\s*[\])]?$`)

// nameColumns pairs the table's columns with those of readings.csv. A trailing
// U, V, W (or L1, L2, L3) after a name for the resistance is a column a phase.
func (m *Mapping) nameColumns(header []string) {
	taken := map[string]string{}
	for _, h := range header {
		name, unit := h, ""
		if u := unitInHeader.FindStringSubmatch(h); u != nil {
			name, unit = strings.TrimSuffix(h, u[0]), u[1]
		}
		words := plainWords(name)
		column, phase := bestColumn(words), ""
		if column == "" {
			if cut := strings.LastIndex(words, " "); cut > 0 {
				phase = phaseOf(words[cut+1:])
				column = bestColumn(words[:cut])
			}
			if phase == "" || column != "resistance_ohm" {
				continue
			}
		}
		if isOhms(column) && h == column {
			unit = "ohm" // as the name says
		}
		if unit != "" && isNumber(column) && (isOhms(column) || !strings.EqualFold(unit, defaultUnit(column))) {
			if m.Units == nil {
				m.Units = map[string]string{}
			}
			m.Units[column] = unit
		}
		if phase != "" {
			if m.Phases == nil {
				m.Phases = map[string]string{}
			}
			m.Phases[phase] = h
			continue
		}
		if other, twice := taken[column]; twice {
			m.unsure("%s: both %q and %q look like it", column, other, h)
			continue
		}
		taken[column] = h
		m.Columns[column] = Names{h}
	}
}

// askUnits asks for the unit of resistances where neither header nor cells state one.
func (m *Mapping) askUnits(header []string, rows [][]string) {
	from := Mapping{Columns: map[string]Names{"resistance_ohm": slices.Concat(m.Columns["resistance_ohm"]), "range_ohm": m.Columns["range_ohm"]}}
	for _, conductor := range keysOf(m.Phases) {
		from.Columns["resistance_ohm"] = append(from.Columns["resistance_ohm"], m.Phases[conductor])
	}
	for _, column := range keysOf(from.Columns) {
		if m.Units[column] != "" {
			continue
		}
		for _, s := range from.cellsOf(column, header, rows) {
			_, text := cutSign(strings.ReplaceAll(s, ",", "."))
			if parts := numberAndUnit.FindStringSubmatch(text); parts != nil && parts[2] == "" {
				m.unsure("units: numbers of %s such as %q have none; say it in units.%s, such as MΩ", column, s, column)
				break
			}
		}
	}
}

func defaultUnit(column string) string {
	return map[string]string{"resistance_ohm": "ohm", "range_ohm": "ohm", "test_volt": "V", "hold_s": "s", "temperature_c": "°C", "part_temperature_c": "°C", "humidity_pct": "%"}[column]
}

func phaseOf(word string) string {
	return map[string]string{"u": "phase_u", "v": "phase_v", "w": "phase_w", "l1": "phase_u", "l2": "phase_v", "l3": "phase_w"}[word]
}

// plainWords is a name in lower case, letters and digits in words.
func plainWords(name string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }), " ")
}

// bestColumn returns the column whose usual names are nearest, "" if none is near.
func bestColumn(words string) string {
	best, bestDistance := "", len(words)/4+1
	for _, column := range allColumns() {
		for _, usual := range append(usualNames[column], plainWords(column)) {
			if d := levenshtein.ComputeDistance(words, usual); d < bestDistance {
				best, bestDistance = column, d
			}
		}
	}
	return best
}

var commaNumber = regexp.MustCompile(`^[<>]?\s*-?[0-9]+(\.[0-9]{3})*,[0-9]+\D*$`)

func (m *Mapping) proposeNumbers(cells func(string) []string) {
	for _, column := range allColumns() {
		if !isNumber(column) {
			continue
		}
		for _, s := range cells(column) {
			m.DecimalComma = m.DecimalComma || commaNumber.MatchString(s)
		}
	}
}

// usualForms are the time forms that a proposal tries.
var usualForms = []string{"YYYY-MM-DD hh:mm:ss", "YYYY-MM-DD hh:mm", "YYYY-MM-DD", "DD.MM.YYYY hh:mm:ss", "DD.MM.YYYY hh:mm", "DD.MM.YYYY", "D.M.YYYY hh:mm", "D.M.YYYY", "D.M.YY",
	"DD/MM/YYYY hh:mm", "MM/DD/YYYY hh:mm", "DD/MM/YYYY", "MM/DD/YYYY", "YYYY/MM/DD hh:mm", "YYYY/MM/DD", serialForm}

func (m *Mapping) proposeTimes(cells []string) {
	if len(cells) == 0 {
		return
	}
	if fits(cells, func(s string) bool { _, err := time.Parse(time.RFC3339, s); return err == nil }) {
		return
	}
	forms, rest := formsOf(cells, m)
	m.TimeForms = forms
	switch {
	case rest != "":
		m.unsure("time_forms: there are times such as %q, which is none of the usual forms", rest)
	case len(forms) > 1 && eitherFits(forms, cells, m):
		m.unsure("time_forms: %s all fit; keep the right one", strings.Join(forms, " and "))
	}
	m.unsure("time_zone: whose local time is this? such as Europe/Berlin")
	for _, f := range forms {
		if !strings.Contains(f, "h") && f != serialForm {
			m.unsure("time_of_day: the dates have no time; which is to stand for it? such as 12:00")
			return
		}
	}
}

// formsOf returns the usual forms that the cells need: those that fit them all, or
// else, for a column of several forms, each that fits some which none before did.
// rest is a cell that no form fits.
func formsOf(cells []string, m *Mapping) (forms []string, rest string) {
	loosely := strings.NewReplacer("DD", "D", "MM", "M")
	said := func(form string) bool {
		return slices.ContainsFunc(forms, func(f string) bool { return loosely.Replace(f) == loosely.Replace(form) })
	}
	for _, form := range usualForms {
		if !said(form) && fits(cells, func(s string) bool { return m.hasForm(form, s) }) {
			forms = append(forms, form)
		}
	}
	if len(forms) > 0 {
		return forms, ""
	}
	left := cells
	for _, form := range usualForms {
		without := slices.DeleteFunc(slices.Clone(left), func(s string) bool { return m.hasForm(form, s) })
		if len(without) < len(left) {
			forms, left = append(forms, form), without
		}
	}
	if len(left) > 0 {
		return forms, left[0]
	}
	return forms, ""
}

func (m *Mapping) hasForm(form, text string) bool {
	layout, err := layoutOf(form)
	if err != nil {
		return false
	}
	_, ok, err := m.timeIn(layout, text)
	return ok && err == nil
}

// eitherFits says that some cell reads in two of the forms.
func eitherFits(forms, cells []string, m *Mapping) bool {
	return slices.ContainsFunc(cells, func(s string) bool {
		n := 0
		for _, form := range forms {
			if m.hasForm(form, s) {
				n++
			}
		}
		return n > 1
	})
}

func fits(cells []string, ok func(string) bool) bool {
	for _, s := range cells {
		if !ok(s) {
			return false
		}
	}
	return true
}

// proposeWords lists the cells that are not the words of readings.csv, for a
// person to say what they mean.
func (m *Mapping) proposeWords(cells func(string) []string) {
	isWord := map[string]func(string) bool{
		"method":    func(s string) bool { _, err := insulation.ParseMethod(s); return err == nil },
		"component": func(s string) bool { _, err := insulation.ParseComponent(s); return err == nil },
		"conductor": func(s string) bool { _, err := insulation.ParseConductor(s); return err == nil },
		"reference": func(s string) bool { _, err := insulation.ParseReference(s); return err == nil },
	}
	for _, column := range keysOf(isWord) {
		words := map[string]string{}
		foreign := false
		for _, s := range cells(column) {
			words[s] = ""
			if isWord[column](s) {
				words[s] = s
			} else {
				foreign = true
			}
		}
		if !foreign {
			continue
		}
		if m.Words == nil {
			m.Words = map[string]map[string]string{}
		}
		m.Words[column] = words
		m.unsure("words.%s: fill in what each cell means (other rows may hold more)", column)
	}
}

// proposeIDs has names that are no ids made into ids, for a person to agree.
func (m *Mapping) proposeIDs(cells func(string) []string) {
	for _, column := range idColumns {
		for _, s := range cells(column) {
			if wire.CheckID(s) == nil {
				continue
			}
			m.IDs = append(m.IDs, column)
			m.unsure("ids: %s holds names such as %q, which would become %q; agree, or give each its word in words.%s", column, s, idOf(s), column)
			break
		}
	}
}
