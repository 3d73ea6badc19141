package trend

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"creepage/internal/insulation"
)

// inWords is a component's name as it is read: fuel cell.
func inWords(c insulation.Component) string { return strings.ReplaceAll(c.String(), "_", " ") }

// words names a group for people: "motor winding", "battery HV+", "battery HV−".
func (k GroupKey) words() string {
	component := inWords(k.Component)
	switch k.Conductor {
	case Plus:
		return component + " HV+"
	case Minus:
		return component + " HV−" // U+2212, as wherever people read it; words that programs read are hv_minus
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

// steadyWord is what is said first of a vehicle that is steady.
const steadyWord = "Steady"

// Reason is the account as one text.
func (o *Outlook) Reason() string { return o.Account.String() }

// account is what an outlook says in words, made of the numbers that drove it.
func (f *forecast) account(o *Outlook, limiting int) Account {
	if !o.CodeSet.IsZero() {
		return Account{What: fmt.Sprintf("The isolation code was set on %s and no repair is recorded since", date(o.CodeSet))}
	}
	driver := f.driver(limiting)
	if driver < 0 {
		driver = f.lowest()
	}
	var a Account
	switch o.State {
	case Unknown:
		if i := f.unsettled; i >= 0 {
			a.What = fmt.Sprintf("Not settled: the last look at the %s, below its %s, stands alone", f.groups[i].g.key.words(), f.limitWords(&o.Parts[i]))
			break // of a chance that leaves it out nothing is said
		}
		a.What = fmt.Sprintf("Too little is known: %s", never(o.Missing))
	case Steady:
		a.What = steadyWord
		if driver >= 0 {
			x := &f.groups[driver]
			lowest := "the lowest part, the " + x.g.key.words() + ","
			if x.g.key.Whole() {
				lowest = "the " + x.g.key.words()
			}
			a.What += fmt.Sprintf(": %s stands %s", lowest, f.levelWords(x))
		}
		a.What += f.sinks(driver)
		a.Chance = chance(o.P90, 90)
	default:
		if driver >= 0 {
			a.What = f.story(driver, o)
		}
		if o.State == Under {
			a.What += fmt.Sprintf("; the whole vehicle is probably below its code limit of %s when at work", Ohms(math.Pow(10, f.limit)))
		} else {
			a.What += f.sinks(driver)
			a.Chance = chance(o.P90, 90) + dates(o)
		}
	}
	if !o.MonitorDefect.IsZero() {
		a.Also = fmt.Sprintf("The monitor itself was reported defective on %s: its values since are not used.", date(o.MonitorDefect))
	}
	if run := f.slipping(); run != "" {
		a.Also = strings.TrimPrefix(a.Also+" "+run, " ")
	}
	if d := f.doubted(o); d != "" {
		a.Also = strings.TrimPrefix(a.Also+" "+d, " ")
	}
	if (o.State == Falling || o.State == Due || o.State == Under || f.unsettled >= 0) && o.MeasureNext.Component != 0 {
		a.Measure = o.next()
	}
	return a
}

// next says what to measure next and until when; "" if nothing tells more than another.
func (o *Outlook) next() string {
	if o.MeasureNext.Component == 0 {
		return ""
	}
	return fmt.Sprintf("%s%s %s.", measureWords, GroupKey{o.MeasureNext.Component, o.MeasureNext.Conductor}.words(), by(o))
}

// limitWords names the limit a part's reading is held against where it is not settled.
func (f *forecast) limitWords(part *Part) string {
	if part.ServiceLimit > 0 {
		return "service limit of " + Ohms(part.ServiceLimit)
	}
	return "vehicle's code limit of " + Ohms(math.Pow(10, f.limit))
}

// slipping says that all a monitor has sent of late was set aside as a slip of unit, and what is
// to be done, for a fault as deep would look alike; "" if it was not, or but once.
func (f *forecast) slipping() string {
	if f.whole < 0 {
		return ""
	}
	g := f.groups[f.whole].g
	if !g.slipping(f.at) {
		return ""
	}
	far := "a thousandth of"
	if g.slipBy > 0 {
		far = "a thousand times"
	}
	return fmt.Sprintf("Since %s the monitor sends %s what is usual, and none of it is used: read the vehicle's code memory, and have the sender's unit checked.", date(g.slipDay.start()), far)
}

// sinks says by how much the lowest readings of the whole vehicle have come down of
// late, where that moves its chance, after what is said of the driving track.
func (f *forecast) sinks(driver int) string {
	if f.whole < 0 {
		return ""
	}
	by := f.groups[f.whole].g.dips.sunk()
	if by < sinkNoted {
		return ""
	}
	whose := "the whole vehicle's"
	if driver == f.whole {
		whose = "the"
	}
	return fmt.Sprintf("; %s lowest readings of the latest weeks lie at %.0f %% of those of the months before", whose, 100*math.Pow(10, -by))
}

// sinkNoted is from how many decades on that is worth a sentence: it then lies at two thirds.
const sinkNoted = 0.18

// by says until when to measure.
func by(o *Outlook) string {
	switch {
	case o.MeasureAgainBy.IsZero():
		return "next"
	case dayOf(o.MeasureAgainBy) <= dayOf(o.EvaluatedAt):
		return "now"
	}
	return "by " + date(o.MeasureAgainBy)
}

// driver returns the track that tells the story: the whole's own when it is
// what drives the probability, else the limiting part.
func (f *forecast) driver(limiting int) int {
	if f.whole >= 0 && limiting >= 0 && f.groups[limiting].g.readings == 0 {
		return f.whole // of a part never measured there is no story
	}
	if f.whole >= 0 {
		w := f.groups[f.whole].p[horizon90]
		if f.sunk(w, horizon90) >= 0.5*f.raw[horizon90] && (limiting < 0 || f.groups[limiting].p[horizon90] < w) && f.groups[f.whole].bank[modeStable].w < 0.5 {
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
func (f *forecast) story(i int, o *Outlook) string {
	s := &strings.Builder{}
	x := &f.groups[i]
	b, g := &x.bank, x.g
	name := "The " + g.key.words()
	level, _ := b.seen(&levelOnly)
	decline, sd := b.decline(&f.model.params, x.damp)
	damp, drop := b.share(modeDamp, modeDrop), b[modeDrop].w
	from := ""
	if g.sinceDay != 0 && g.from.Mean > level+0.1 {
		from = fmt.Sprintf("%s to %s since %s", g.fromWords(level), Ohms(math.Pow(10, level)), date(g.sinceDay.start()))
	}
	switch {
	case drop > 0.5:
		fmt.Fprintf(s, "%s has dropped%s", name, from)
	case damp > 0.5:
		fmt.Fprintf(s, "%s leaks more and more when damp: at 100 %% humidity it would read %s of its dry level", name, fraction(b.meanHumidity()))
	case b.share(modeDecline, modeDamp) > 0.5 && from != "":
		fmt.Fprintf(s, "%s has fallen%s%s", name, from, pace(decline, sd))
	case b.share(modeDecline, modeDamp) > 0.5:
		fmt.Fprintf(s, "%s falls%s", name, strings.TrimPrefix(pace(decline, sd), " and goes on falling"))
	default:
		fmt.Fprintf(s, "%s stands %s", name, f.levelWords(x))
		if decline > 0.02 {
			fmt.Fprintf(s, " and may be falling (chance %.0f %%)", 100*b.share(modeDecline, modeBetter))
		}
	}
	if low := f.dipsTo(x); low > 0 {
		fmt.Fprintf(s, ", has dipped for days and may dip to about %s again", Ohms(low))
	}
	if also := f.alsoFalls(i); also != "" {
		s.WriteString(", and so has the " + also)
	}
	if g.key.Whole() && o.Limiting != 0 {
		fmt.Fprintf(s, ", most likely because of the %s", inWords(o.Limiting))
		if !f.measured(o.Limiting) {
			s.WriteString(", which was never measured")
		}
	}
	return s.String()
}

// alsoFalls names the part that falls beside one that does, where its risk is not
// far from that one's: leaks add up.
func (f *forecast) alsoFalls(i int) string {
	falls := func(x *partForecast) bool {
		return !x.g.key.Whole() && x.bank.share(modeDecline, modeDamp) >= fallingAt
	}
	if !falls(&f.groups[i]) {
		return ""
	}
	best := -1
	for j := range f.groups {
		x := &f.groups[j]
		if j == i || !falls(x) || x.p[horizon90] < 0.3*f.groups[i].p[horizon90] {
			continue
		}
		if best < 0 || x.p[horizon90] > f.groups[best].p[horizon90] {
			best = j
		}
	}
	if best < 0 {
		return ""
	}
	level, _ := f.groups[best].bank.seen(&levelOnly)
	return fmt.Sprintf("%s, to %s", f.groups[best].g.key.words(), Ohms(math.Pow(10, level)))
}

// measured says whether anything of a component was ever measured.
func (f *forecast) measured(c insulation.Component) bool {
	for i := range f.groups {
		if g := f.groups[i].g; g.key.Component == c && g.readings > 0 {
			return true
		}
	}
	return false
}

// dipsTo returns how low, in ohm, a track has dipped, or 0 if what is feared
// is not a dip.
func (f *forecast) dipsTo(x *partForecast) float64 {
	low := &x.g.dips
	if !x.g.key.Whole() || low.day == 0 || low.high-low.trough < f.model.params.DipLeast ||
		x.p[horizon90] < 2*x.crossing(f.model, horizon90, f.limit+x.extra) {
		return 0
	}
	return math.Pow(10, low.trough)
}

// pace words a decline in decades per 30 days with its spread.
func pace(decline, sd float64) string {
	switch {
	case decline > 1:
		return ", fast"
	case decline < 0.04:
		return " and goes on falling slowly"
	}
	return fmt.Sprintf(" and goes on falling by a factor of %.1f in 30 days (%.1f to %.1f)", math.Pow(10, decline), math.Pow(10, max(decline-sd, 0)), math.Pow(10, decline+sd))
}

// fraction words what is left after so many decades: "a third", "a 40th".
func fraction(decades float64) string {
	x := math.Pow(10, decades)
	switch {
	case x > 950:
		return "less than a thousandth"
	case x >= 95:
		return fmt.Sprintf("about a %.0fth", 100*math.Round(x/100))
	case x >= 9.5:
		return fmt.Sprintf("about a %.0fth", 10*math.Round(x/10))
	}
	return fmt.Sprintf("about %.0f %%", 100/x)
}

func (b *bank) meanHumidity() float64 {
	u := 0.0
	for k := range b {
		u += b[k].w * b[k].Mean[1]
	}
	return u
}

// levelWords words a level: "at" it with its spread, or, where only bounds or
// little are known of it, "between" two.
func (f *forecast) levelWords(x *partForecast) string {
	band := x.bank.band(f.model.tail, &levelOnly)
	switch {
	case x.g.readings == 0:
		return "at a level never measured"
	case band.P90 > vague*band.P10:
		return fmt.Sprintf("between %s and %s (80 %%; at 20 °C, dry)", Ohms(band.P10), Ohms(band.P90))
	}
	return fmt.Sprintf("at %s (80 %%: %s to %s; at 20 °C, dry)", Ohms(band.P50), Ohms(band.P10), Ohms(band.P90))
}

// fromWords words where a track came from that stands at a level now: from the middle, or, where only bounds or little were
// known, from above what it stood above (nine in ten), no more than was read; nothing where nothing so high was.
func (g *group) fromWords(level float64) string {
	if deciles*g.from.SD <= math.Log10(vague) {
		return " from " + Ohms(math.Pow(10, g.from.Mean))
	}
	if low := min(g.from.Mean-deciles/2*g.from.SD, g.highest); low > level {
		return " from above " + Ohms(math.Pow(10, low))
	}
	return ""
}

// deciles is how many standard deviations of a normal lie between its 10 and 90 % quantiles.
const deciles = 2.563

// vague is the ratio of an 80 % interval's ends from which a middle would claim too much.
const vague = 6

func chance(p float64, days int) string {
	switch {
	case p < 0.01:
		return fmt.Sprintf(chanceWords+"%d days is below 1 %%", days)
	case p > 0.95:
		return fmt.Sprintf(chanceWords+"%d days is above 95 %%", days)
	}
	return fmt.Sprintf(chanceWords+"%d days is %.0f %%", days, 100*p)
}

// dates words the 80 % interval of the crossing.
func dates(o *Outlook) string {
	day := func(d float64) string { return date(o.EvaluatedAt.Add(time.Duration(d*24) * time.Hour)) }
	switch {
	case math.IsNaN(o.DaysP10):
		return ""
	case math.IsNaN(o.DaysP50):
		return fmt.Sprintf(", if it comes then hardly before %s", day(o.DaysP10))
	case math.IsNaN(o.DaysP90):
		return fmt.Sprintf(", even odds by %s (hardly before %s)", day(o.DaysP50), day(o.DaysP10))
	}
	return fmt.Sprintf(", even odds by %s (80 %% between %s and %s)", day(o.DaysP50), day(o.DaysP10), day(o.DaysP90))
}

func date(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// doubted words the readings of the last 60 days, or of the last look at their part, that are not believed: those
// set aside, and those that their track has not come to confirm.
func (f *forecast) doubted(o *Outlook) string {
	var left []Doubt
	aside, days := 0, map[day]bool{}
	for _, d := range o.Doubts {
		band := partOf(o, d.Group).LevelNow
		confirmed := d.Ohms >= band.P10/2 && d.Ohms <= 2*band.P90 && band.P90 < vague*band.P10
		old := f.at-dayOf(d.MeasuredAt) > 60
		if old {
			g := f.mem.find(d.Group)
			old = d.Group.Whole() || g == nil || !g.doubtedLast(&d)
		}
		if old || confirmed || d.Cause == MonitorDefect {
			continue
		}
		if d.SetAside {
			aside++
		}
		left = append(left, d)
		days[dayOf(d.MeasuredAt)] = true
	}
	if len(left) == 0 {
		return ""
	}
	how := "doubted"
	switch {
	case aside == len(left):
		how = "set aside"
	case aside > 0:
		how = "doubted or set aside"
	}
	last := left[len(left)-1]
	one := fmt.Sprintf("the %s, %s on %s", last.Group.words(), Ohms(last.Ohms), date(last.MeasuredAt))
	switch {
	case len(left) == 1 && last.SetAside:
		return fmt.Sprintf("One reading is set aside: %s; reason: %s.", one, last.Reason)
	case len(left) == 1:
		part := partOf(o, last.Group)
		then := "A second look settles it."
		if dayOf(part.LastMeasured) > dayOf(last.MeasuredAt) {
			then = "What was read since does not bear it out."
		} else if last.BorneOut {
			then = "Another reading of that day bears the track out."
		}
		return fmt.Sprintf("One reading is doubted: %s%s. %s", one, off(last.Ohms, part.LevelNow.P50), then)
	case len(days) == 1:
		return fmt.Sprintf("%d readings of %s are %s%s.", len(left), date(last.MeasuredAt), how, because(left))
	}
	return fmt.Sprintf("%d readings are %s%s (last: %s).", len(left), how, because(left), one)
}

// because words why readings are doubted or set aside, where it is the same of all.
func because(left []Doubt) string {
	switch {
	case !slices.ContainsFunc(left, func(d Doubt) bool { return d.Cause != OffVisit }):
		return ": the whole visit reads off"
	case !slices.ContainsFunc(left, func(d Doubt) bool { return !d.Cause.slip() }):
		return ": they look like a slip of unit"
	}
	return ""
}

// off words how far a reading lies from its track.
func off(ohms, track float64) string {
	x, word := track/ohms, "lower"
	if x < 1 {
		x, word = 1/x, "higher"
	}
	switch {
	case !(x >= 1.5):
		return ""
	case x > 1e5:
		return fmt.Sprintf(", more than 100,000 times %s than its track", word)
	case x >= 95:
		return fmt.Sprintf(", %.0f times %s than its track", 10*math.Round(x/10), word)
	case x >= 9.5:
		return fmt.Sprintf(", %.0f times %s than its track", x, word)
	}
	return fmt.Sprintf(", %.1f times %s than its track", x, word)
}

// partOf returns what an outlook says of a group; nothing of one it does not know.
func partOf(o *Outlook, k GroupKey) Part {
	for i := range o.Parts {
		if o.Parts[i].Group == k {
			return o.Parts[i]
		}
	}
	return Part{}
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
