package sheet

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

// timeTokens are how people write the parts of a time, the longer of two that
// begin alike first, with the layout of package time.
var timeTokens = []struct{ token, layout string }{
	{"YYYY", "2006"}, {"YY", "06"}, {"MM", "01"}, {"M", "1"}, {"DD", "02"}, {"D", "2"},
	{"hh", "15"}, {"h", "3"}, {"mm", "04"}, {"ss", "05"}, {"AP", "PM"},
}

// layoutOf turns a form such as DD.MM.YYYY hh:mm into a layout of package time.
func layoutOf(form string) (string, error) {
	if form == serialForm {
		return serialForm, nil
	}
	var layout strings.Builder
	has := map[byte]bool{}
	for rest := form; rest != ""; {
		written, layoutPart := rest[:1], rest[:1]
		for _, t := range timeTokens {
			if strings.HasPrefix(rest, t.token) {
				written, layoutPart = t.token, t.layout
				has[t.token[0]] = true
				break
			}
		}
		layout.WriteString(layoutPart)
		rest = rest[len(written):]
	}
	if !has['Y'] || !has['M'] || !has['D'] {
		return "", fmt.Errorf("time_forms %q: want a form made of YYYY or YY, MM, DD, hh, mm, ss, AP and what stands between them, or serial", form)
	}
	return layout.String(), nil
}

// time reads a local time in one of the mapping's forms. Times that do not
// exist, or come twice, because the clocks were changed are refused.
func (m *Mapping) time(text string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for i, layout := range m.layouts {
		t, ok, err := m.timeIn(layout, text)
		if err != nil {
			return time.Time{}, err
		}
		if !ok {
			continue
		}
		if !strings.Contains(m.TimeForms[i], "h") && layout != serialForm {
			if t, err = m.atTimeOfDay(t); err != nil {
				return time.Time{}, err
			}
		}
		return m.local(t)
	}
	return time.Time{}, fmt.Errorf("want an RFC 3339 time%s", m.formsInWords())
}

func (m *Mapping) formsInWords() string {
	if len(m.TimeForms) == 0 {
		return " such as 2026-03-02T09:15:00Z"
	}
	return " or " + strings.Join(m.TimeForms, " or ") + " in " + m.TimeZone
}

// timeIn reads a wall-clock time; ok says that the text has the form.
func (m *Mapping) timeIn(layout, text string) (wall time.Time, ok bool, err error) {
	if layout != serialForm {
		wall, err = time.Parse(layout, text)
		return wall, err == nil, nil
	}
	if m.DecimalComma {
		text = strings.Replace(text, ",", ".", 1)
	}
	days, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return time.Time{}, false, nil
	}
	wall, err = excelize.ExcelDateToTime(days, false)
	if err != nil {
		return time.Time{}, false, fmt.Errorf("day number %s: %w", text, err)
	}
	return wall.Round(time.Second), true, nil // day numbers are fractions of a day in binary
}

func (m *Mapping) atTimeOfDay(day time.Time) (time.Time, error) {
	at, err := time.Parse("15:04", m.TimeOfDay)
	if err != nil {
		return time.Time{}, fmt.Errorf("a date without a time: state time_of_day in the mapping")
	}
	return day.Add(time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute), nil
}

// local puts a wall-clock time into the mapping's zone.
func (m *Mapping) local(wall time.Time) (time.Time, error) {
	const form = "2006-01-02 15:04:05"
	t := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), wall.Nanosecond(), m.zone)
	if t.Format(form) != wall.Format(form) {
		return time.Time{}, fmt.Errorf("%s does not exist in %s: the clocks were put forward then", wall.Format(form), m.TimeZone)
	}
	// A change of clocks is rarely more than an hour, and never more than three.
	for _, shift := range []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour} {
		if t.Add(shift).Format(form) == t.Format(form) || t.Add(-shift).Format(form) == t.Format(form) {
			return time.Time{}, fmt.Errorf("%s came twice in %s, for the clocks were put back: write it with its offset, such as %s", wall.Format(form), m.TimeZone, t.Format(time.RFC3339))
		}
	}
	return t, nil
}
