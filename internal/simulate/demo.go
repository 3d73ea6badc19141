package simulate

import (
	"fmt"
	"math/rand/v2"
	"time"

	"creepage/internal/insulation"
)

// The demo fleet: a made-up operator with sixty vehicles of six platforms, five
// shops and eighteen months of visits. Most vehicles are healthy; each of the
// others shows one story. The stories are placed by hand, so that a person who
// tries the program meets each of them; nothing is judged on this fleet.
const (
	demoVehicles = 60
	demoDays     = 548
	demoSeed     = 14 // every story comes out as told, whatever the day of the year it is moved to
)

// lowMeterShop is the shop whose only meter tops out low, so that most of what
// it writes is over-range.
const lowMeterShop = 4

// demoStory is what happens to one vehicle of the demo fleet.
type demoStory struct {
	vehicle    int // its number in the fleet
	story      Story
	component  insulation.Component
	onset      Span  // day it begins
	code       Span  // day its code sets; {0, 0}: not while the truth is known
	wholeFalls Span  // decades by which the whole vehicle falls within three days of the onset; {0, 0}: whatever
	looked     []int // days after the onset on which all of it is tested
	exchanged  int   // day the component is replaced for the decline alone; 0: not
	monitor    bool
}

func demoStories() []demoStory {
	past, soon := Span{demoDays - 170, demoDays - 40}, Span{demoDays + 12, demoDays + 55}
	early := Span{150, 300}
	return []demoStory{
		{vehicle: 6, story: Slow, component: insulation.Motor, onset: early, code: soon, monitor: true}, // coolant seeps into the motor
		{vehicle: 13, story: Slow, component: insulation.Inverter, onset: early, code: soon},            // the same in an inverter, seen by shops alone
		{vehicle: 20, story: Accelerating, component: insulation.Motor, onset: early, code: soon, monitor: true},
		{vehicle: 7, story: Slow, component: insulation.Motor, onset: Span{60, 160}, code: past, monitor: true}, // its code set, it was repaired and goes on
		{vehicle: 14, story: Slow, component: insulation.Compressor, onset: Span{60, 160}, code: past, monitor: true},
		{vehicle: 22, story: Sudden, component: insulation.Cable, onset: Span{demoDays - 40, demoDays - 15}, wholeFalls: Span{0.7, 1.2}, looked: []int{2, 5}, monitor: true}, // a chafed cable
		{vehicle: 24, story: Damp, component: insulation.Compressor, onset: early, code: Span{demoDays + 20, demoDays + 150}, monitor: true},
		{vehicle: 31, story: Damp, component: insulation.Compressor, onset: early, code: Span{demoDays + 20, demoDays + 150}},
		{vehicle: 35, story: Levelling, component: insulation.Motor, onset: Span{120, 200}, monitor: true},                                            // declines, then levels off
		{vehicle: 40, story: Slow, component: insulation.Motor, onset: Span{60, 140}, code: Span{demoDays - 60, demoDays}, exchanged: demoDays - 120}, // replaced in time
	}
}

// DemoPhysics is the world of the demo fleet.
func DemoPhysics() Physics {
	p := Mild()
	p.Name, p.About = "demo", "the demo fleet: mild, with late repairs"
	p.FaultShare, p.MonitorShare, p.After = 0, 0.15, Repaired
	return p
}

// DemoStart is the first day of the demo fleet's records as they are stored.
var DemoStart = time.Date(2025, 5, 26, 0, 0, 0, 0, time.UTC)

// Demo makes the demo fleet whose records begin on a UTC day.
func Demo(start time.Time) (*Fleet, error) {
	p := DemoPhysics()
	known := demoDays + beyondDays
	world := rand.New(rand.NewPCG(demoSeed, 1<<40))
	models := newModels(world, &p)
	shops := newShops(world, &p, start, known, 5)
	shops[lowMeterShop].meters = []meter{{id: "m-5a", top: 200e6}}
	stories := map[int]demoStory{}
	for _, s := range demoStories() {
		stories[s.vehicle] = s
	}
	vehicles := make([]*vehicle, demoVehicles)
	for i := range vehicles {
		r := rand.New(rand.NewPCG(demoSeed, uint64(i)))
		m := &models[i%len(models)]
		v := newVehicle(r, &p, m, &shops[(i/len(models))%len(shops)], fmt.Sprintf("%s-%02d", demoName(m), i+1))
		v.monitor = r.Float64() < p.MonitorShare
		if s, ok := stories[i]; ok {
			v.monitor = s.monitor
			if err := v.begin(r, s, known); err != nil {
				return nil, err
			}
		}
		v.live(r, shops, start, demoDays, known)
		vehicles[i] = v
	}
	return gather(models, vehicles), nil
}

// demoName is what a vehicle of a platform is called: van, truck, bus ...
func demoName(m *model) string {
	return map[string]string{"harbor-van-400": "van", "depot-truck-650": "truck", "city-bus-600": "bus", "ridge-loader-800": "loader",
		"quay-tractor-700": "tractor", "lane-shuttle-360": "shuttle"}[m.platform.ID]
}

// begin draws the story's fault until its code sets when it should.
func (v *vehicle) begin(r *rand.Rand, s demoStory, known int) error {
	g := -1
	for i := range v.model.groups {
		if v.model.groups[i].component == s.component {
			g = i
			break
		}
	}
	if g < 0 {
		return fmt.Errorf("demo vehicle %s has no %s", v.id, s.component)
	}
	for range 2000 {
		v.groups[g].fault = newFault(r, s.story, int(s.onset.draw(r)), known)
		code := v.codeDay(0, known)
		if s.wholeFalls.Hi > 0 && !v.fallsBy(s.wholeFalls, v.groups[g].fault.onset) {
			continue
		}
		if s.code.Hi == 0 && code == never || code != never && float64(code) >= s.code.Lo && float64(code) <= s.code.Hi {
			v.planned = s.exchanged
			for _, after := range s.looked {
				v.looked = append(v.looked, v.groups[g].fault.onset+after)
			}
			return nil
		}
	}
	return fmt.Errorf("demo vehicle %s: no %s fault sets its code on days %g to %g", v.id, s.story, s.code.Lo, s.code.Hi)
}

// fallsBy says whether the whole vehicle falls by so many decades within three days.
func (v *vehicle) fallsBy(decades Span, onset int) bool {
	w := v.depot.weather
	whole := func(d int) float64 {
		return v.wholeAt(v.model.reports, d, w.mean[onset], 0.5, w.humidity[onset], w.wet[onset])
	}
	fall := whole(onset-1) - whole(onset+3)
	return fall >= decades.Lo && fall <= decades.Hi
}
