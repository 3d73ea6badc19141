package trend

import (
	"fmt"
	"math"
	"strings"
	"time"

	"creepage/internal/insulation"
)

// words names a group for people: "motor winding", "battery plus".
func (k GroupKey) words() string {
	component := strings.ReplaceAll(k.Component.String(), "_", " ")
	switch k.Conductor {
	case Plus:
		return component + " plus"
	case Minus:
		return component + " minus"
	case Phases:
		switch k.Component {
		case insulation.Motor, insulation.Generator, insulation.Compressor:
			return component + " winding"
		}
		return component + " output"
	case PhaseU, PhaseV, PhaseW:
		return component + " phase " + string('U'+rune(k.Conductor-PhaseU))
	case WholeParallel:
		return "whole vehicle"
	case WholeWeaker:
		return "whole vehicle's weaker pole"
	}
	return component
}

// reason is the sentence of an outlook, made of the numbers that drove it.
func (f *forecast) reason(o *Outlook, limiting int) string {
	if !o.CodeSet.IsZero() {
		return fmt.Sprintf("The isolation code was set on %s and no repair is recorded since.", date(o.CodeSet))
	}
	driver := f.driver(limiting)
	var s strings.Builder
	switch o.State {
	case Unknown:
		fmt.Fprintf(&s, "Too little is known: %s.", never(o.Missing))
		return s.String()
	case Steady:
		s.WriteString("Steady")
		if driver < 0 {
			driver = f.lowest()
		}
		if driver >= 0 {
			x := &f.groups[driver]
			fmt.Fprintf(&s, ": the lowest, the %s, stands at %s", x.g.key.words(), f.levelWords(x))
		}
		fmt.Fprintf(&s, "; %s.", chance(o.P90, 90))
	default:
		if driver < 0 {
			driver = f.lowest()
		}
		if driver >= 0 {
			f.story(&s, driver, o)
		}
		if o.State == Under {
			fmt.Fprintf(&s, "; the whole is probably below the code limit of %s at work now.", Ohms(math.Pow(10, f.limit)))
		} else {
			fmt.Fprintf(&s, "; %s%s.", chance(o.P90, 90), dates(o))
		}
	}
	if n := doubted(o, f.at); n != "" {
		s.WriteString(" " + n)
	}
	if o.State != Steady && o.MeasureNext.Component != 0 {
		fmt.Fprintf(&s, " Measure next: %s.", GroupKey{o.MeasureNext.Component, o.MeasureNext.Conductor}.words())
	}
	return s.String()
}

// driver returns the track that tells the story: the whole's own when it is
// what drives the probability, else the limiting part.
func (f *forecast) driver(limiting int) int {
	if f.whole >= 0 && limiting >= 0 && f.groups[limiting].g.readings == 0 {
		return f.whole // of a part never measured there is no story
	}
	if f.whole >= 0 {
		w := f.groups[f.whole].p[horizon90]
		if w >= 0.5*f.raw[horizon90] && (limiting < 0 || f.groups[limiting].p[horizon90] < w) && f.groups[f.whole].bank[modeStable].w < 0.5 {
			return f.whole
		}
	}
	return limiting
}

// lowest returns the measured group with the lowest level, or -1.
func (f *forecast) lowest() int {
	best := -1
	for i := range f.groups {
		x := &f.groups[i]
		if x.g.readings > 0 && (best < 0 || x.mean[horizon90] < f.groups[best].mean[horizon90]) {
			best = i
		}
	}
	return best
}

// story tells what a track does.
func (f *forecast) story(s *strings.Builder, i int, o *Outlook) {
	x := &f.groups[i]
	b, g := &x.bank, x.g
	name := strings.ToUpper(g.key.words()[:1]) + g.key.words()[1:]
	level, _ := b.seen(&levelOnly)
	decline, sd := b.decline(&f.model.params, x.damp)
	damp, drop := b.share(modeDamp, modeDrop), b[modeDrop].w
	from := ""
	if g.sinceDay != 0 && g.fromLevel > level+0.1 {
		from = fmt.Sprintf(" from %s to %s since %s", Ohms(math.Pow(10, g.fromLevel)), Ohms(math.Pow(10, level)), date(g.sinceDay.start()))
	}
	switch {
	case drop > 0.5:
		fmt.Fprintf(s, "%s has dropped%s", name, from)
	case damp > 0.5:
		fmt.Fprintf(s, "%s loses more and more when damp (now %.1f decades at 100 %% humidity)", name, b.meanHumidity())
	case b.share(modeDecline, modeDamp) > 0.5:
		fmt.Fprintf(s, "%s falls%s, %.2f ± %.2f decades in 30 days", name, from, decline, sd)
	default:
		fmt.Fprintf(s, "%s stands at %s", name, f.levelWords(x))
		if decline > 0.02 {
			fmt.Fprintf(s, " and may be falling (chance %.0f %%)", 100*b.share(modeDecline, modeBetter))
		}
	}
	if g.key.Whole() && o.Limiting != 0 {
		fmt.Fprintf(s, ", most likely the %s", strings.ReplaceAll(o.Limiting.String(), "_", " "))
	}
}

func (b *bank) meanHumidity() float64 {
	u := 0.0
	for k := range b {
		u += b[k].w * b[k].Mean[1]
	}
	return u
}

func (f *forecast) levelWords(x *partForecast) string {
	band := x.bank.band(f.model.tail, &levelOnly)
	if x.g.readings == 0 {
		return "a level never measured"
	}
	return fmt.Sprintf("%s (80 %% between %s and %s at 20 °C, dry)", Ohms(band.P50), Ohms(band.P10), Ohms(band.P90))
}

func chance(p float64, days int) string {
	switch {
	case p < 0.01:
		return fmt.Sprintf("the chance of the isolation code within %d days is below 1 %%", days)
	case p > 0.95:
		return fmt.Sprintf("the chance of the isolation code within %d days is above 95 %%", days)
	}
	return fmt.Sprintf("the chance of the isolation code within %d days is %.0f %%", days, 100*p)
}

// dates words the 80 % interval of the crossing.
func dates(o *Outlook) string {
	day := func(d float64) string { return date(o.EvaluatedAt.Add(time.Duration(d*24) * time.Hour)) }
	switch {
	case math.IsNaN(o.DaysP10):
		return ""
	case math.IsNaN(o.DaysP50):
		return fmt.Sprintf(", at the earliest (one in ten) by %s", day(o.DaysP10))
	case math.IsNaN(o.DaysP90):
		return fmt.Sprintf(", even odds by %s (one in ten by %s)", day(o.DaysP50), day(o.DaysP10))
	}
	return fmt.Sprintf(", even odds by %s (80 %% between %s and %s)", day(o.DaysP50), day(o.DaysP10), day(o.DaysP90))
}

func date(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// doubted words the readings of the last 60 days that were not believed.
func doubted(o *Outlook, at day) string {
	n := 0
	last := ""
	for _, d := range o.Doubts {
		if at-dayOf(d.MeasuredAt) <= 60 {
			n++
			last = fmt.Sprintf("%s of %s on %s", Ohms(d.Ohms), d.Group.words(), date(d.MeasuredAt))
		}
	}
	switch n {
	case 0:
		return ""
	case 1:
		return "One reading is doubted (" + last + ")."
	}
	return fmt.Sprintf("%d readings are doubted (last: %s).", n, last)
}

func never(missing []string) string {
	switch n := len(missing); {
	case n == 0:
		return "too few readings"
	case n > 4:
		return fmt.Sprintf("never measured are %s and %d others", strings.Join(missing[:3], ", "), n-3)
	}
	return "never measured: " + strings.Join(missing, ", ")
}
