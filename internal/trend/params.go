package trend

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"creepage/internal/insulation"
)

// The bank's modes, in the order of every array that is indexed by mode.
const (
	numDeclines = 7
	numDamps    = 2

	modeStable  = 0
	modeDecline = 1                         // first of the declines, slowest first
	modeDamp    = modeDecline + numDeclines // first of the damp modes
	modeDrop    = modeDamp + numDamps
	modeBetter  = modeDrop + 1
	numModes    = modeBetter + 1
)

// Normal is a normal distribution given by its mean and standard deviation.
type Normal struct {
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
}

// LevelPrior is what the fleet says of a group's level before its first
// reading, in log10(ohm) at 20 C dry.
type LevelPrior struct {
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
	N    float64 `json:"n"` // vehicles it was learned from; 0: not learned
}

// Calibration maps the chain's raw code probability within h days to the stated one, as
// log-odds: Unseen at unseenOdds and Seen at seenOdds, straight between them, with slope 1
// below and Scale above; to which Horizon*ln(h/90) is added, and Dropped by how far the leak is of what has just dropped.
type Calibration struct {
	Unseen  float64 `json:"unseen"`  // stated log-odds within 90 days where the raw ones are unseenOdds: about where vehicles of which nothing was seen stand
	Seen    float64 `json:"seen"`    // where the raw ones are seenOdds
	Scale   float64 `json:"scale"`   // slope of stated by raw log-odds above that
	Horizon float64 `json:"horizon"` // added to them, times ln(h/90)
	Dropped float64 `json:"dropped"` // added to them where all the leak is of what has just dropped: where water gets in and dries, most of that comes up again
	N       float64 `json:"n"`       // forecasts that had come due when it was fitted
}

// Params is every number of the method. Default returns the ones to start
// with; Learner.Learn returns ones learned from a fleet's own records, under a
// new version. Units: decades (log10 ohm), days, degrees Celsius.
type Params struct {
	Version string `json:"version"` // names this set
	// TrackVersion names the set that tracks are made with, where this one differs
	// from it only in the calibrations; empty: this one. A track's state names it.
	TrackVersion string `json:"track_version,omitempty"`

	// Level priors at 20 C dry. A group's mean is log10(service limit) +
	// LevelAboveLimit, at least LevelAboveCode above the code limit (a vehicle in use is
	// not about to set its code, however low its service limits), unless the
	// fleet has taught better (LevelPriors, by PriorKey). SDFleet is the uncertainty of the fleet's mean, SDVehicle the
	// spread between vehicles about it.
	LevelAboveLimit float64               `json:"level_above_limit"`
	LevelAboveCode  float64               `json:"level_above_code"`
	LevelSDFleet    float64               `json:"level_sd_fleet"`
	LevelSDVehicle  float64               `json:"level_sd_vehicle"`
	WholeLevel      float64               `json:"whole_level"`
	WholeSDFleet    float64               `json:"whole_sd_fleet"`
	WholeSDVehicle  float64               `json:"whole_sd_vehicle"`
	LevelPriors     map[string]LevelPrior `json:"level_priors,omitempty"`

	Humidity    Normal            `json:"humidity"`               // u: decades lost at 100 % RH
	Temperature Normal            `json:"temperature"`            // b: decades lost per degree; published laws give 0.006 to 0.030
	ByComponent map[string]Normal `json:"by_component,omitempty"` // b learned per component word ("motor")

	// Onset hazard per group and day, the whole vehicle's own, and how an onset
	// divides into damp leaks, drops and declines (DeclineShares sum to one).
	Onset            float64            `json:"onset"`
	WholeOnset       float64            `json:"whole_onset"`
	OnsetByComponent map[string]float64 `json:"onset_by_component,omitempty"` // factor on Onset, by OnsetKey
	DampShare        float64            `json:"damp_share"`
	DropShare        float64            `json:"drop_share"`
	Slopes           []float64          `json:"slopes"` // declines, decades a day, slowest first
	DeclineShares    []float64          `json:"decline_shares"`
	DampGrowth       []float64          `json:"damp_growth"`      // growth of u, decades a day
	FirstSight       float64            `json:"first_sight"`      // chance that a group already declines when first seen
	RateUp           float64            `json:"rate_up"`          // to the next steeper decline, a day
	RateDown         float64            `json:"rate_down"`        // to the next slower decline, a day
	RateToStable     float64            `json:"rate_to_stable"`   // a decline levels off, a day
	RateDampToStable float64            `json:"rate_damp_stable"` // a damp leak stops growing, a day
	RateDropOnward   float64            `json:"rate_drop_onward"` // after a drop into a slow decline, a day
	RateBetter       float64            `json:"rate_better"`      // unreported repair, cleaning or drying, a day
	RateBetterStable float64            `json:"rate_better_stable"`
	DropJump         Normal             `json:"drop_jump"`   // level change on entering "has just dropped"
	BetterJump       Normal             `json:"better_jump"` // level change on entering "has got better"

	// Process noise a day: LevelNoise + SlopeNoise*(SlopeSpread*s)^2 for the
	// level, HumidityNoise + SlopeNoise*(GrowthSpread*g)^2 for u (variances).
	LevelNoise    float64 `json:"level_noise"`
	HumidityNoise float64 `json:"humidity_noise"`
	SlopeNoise    float64 `json:"slope_noise"`
	SlopeSpread   float64 `json:"slope_spread"`
	GrowthSpread  float64 `json:"growth_spread"`

	// Reading noise, standard deviations.
	ReadingSD        float64 `json:"reading_sd"`         // one tester reading
	VisitSD          float64 `json:"visit_sd"`           // offset common to a visit
	GivenCelsiusSD   float64 `json:"given_celsius_sd"`   // of a temperature that was stated
	MissingCelsiusSD float64 `json:"missing_celsius_sd"` // of the season's usual one put in its place
	MissingRHSD      float64 `json:"missing_rh_sd"`      // of the usual humidity put in place of a missing one, % RH
	UsualCelsius     float64 `json:"usual_celsius"`      // before a shop's own is known
	SeasonAmplitude  float64 `json:"season_amplitude"`   // yearly cosine about the mean, C
	UsualRH          float64 `json:"usual_rh"`           // % RH
	ShortHold        Normal  `json:"short_hold"`         // what a 10-15 s hold reads low, decades
	OtherVoltsSD     float64 `json:"other_volts_sd"`     // extra when the test voltage differs from the point's

	// The monitor: scatter about its operating level, with and without a
	// temperature, and the bounds of the online variance ratio.
	MonitorSD       float64 `json:"monitor_sd"`
	MonitorSDNoTemp float64 `json:"monitor_sd_no_temperature"`
	MonitorRatioMax float64 `json:"monitor_ratio_max"`
	MonitorMemory   float64 `json:"monitor_memory"` // days over which the ratio is averaged

	// Wander: a monitor's values that lie off their level for days on end, and come back.
	WanderDays   float64 `json:"wander_days"`   // over which differences are averaged
	WanderMemory float64 `json:"wander_memory"` // days over which their variance is
	WanderMost   float64 `json:"wander_most"`   // standard deviation beyond which it is something else, decades
	WanderNoise  float64 `json:"wander_noise"`  // by how much of that variance a day's value tells less

	// Dips: values that lie low for days show a damp leak before the level falls.
	DipMemory  float64 `json:"dip_memory"`   // days over which a dip is forgotten
	DipLeast   float64 `json:"dip_least"`    // decades that weather alone does,
	DipLeastSD float64 `json:"dip_least_sd"` // and their spread
	DipReach   float64 `json:"dip_reach"`    // decades above the limit from which a dip may come to take the code
	DipSD      float64 `json:"dip_sd"`       // spread of that
	DipDays    float64 `json:"dip_days"`     // mean wait for one that does, days

	// Sinking: a monitor's lowest values of the latest weeks beside those of the months before.
	SinkNear float64 `json:"sink_near"` // days over which the former are forgotten,
	SinkFar  float64 `json:"sink_far"`  // and the latter
	SinkOdds float64 `json:"sink_odds"` // by how much a decade of it raises the log-odds of a code

	// Survival: no isolation code has come, so the whole is not below the limit;
	// a code may go unreported, and it takes time to set.
	SurvivalDays  float64 `json:"survival_days"`  // days without a code that halve the odds of being below
	SurvivalFloor float64 `json:"survival_floor"` // share of codes that are never reported

	// Doubt: shares of readings that are not what they say.
	LowOutlier      float64 `json:"low_outlier"`
	LowOutlierShift Normal  `json:"low_outlier_shift"` // mean below the level (positive), sd
	FlatOutlier     float64 `json:"flat_outlier"`
	FlatDecades     float64 `json:"flat_decades"`
	SlipShare       float64 `json:"slip_share"`  // of values a thousand times too high or too low
	WideShare       float64 `json:"wide_share"`  // readings with wide noise (heavy tails)
	WideFactor      float64 `json:"wide_factor"` // their standard deviation over the usual one
	FalseAbove      float64 `json:"false_above"`
	FalseBelow      float64 `json:"false_below"`
	BadVisit        float64 `json:"bad_visit"`       // share of visits that are off as a whole
	BadVisitShift   Normal  `json:"bad_visit_shift"` // by how much

	// Operation: rise of a component above ambient at work, by component word.
	Rise map[string]float64 `json:"rise"`

	// What an event does to its component, and to the whole.
	RepairedSpread float64 `json:"repaired_spread"` // factor on the prior's sd
	CleanedLevel   float64 `json:"cleaned_level"`   // level widened by, sd
	CleanedU       float64 `json:"cleaned_u"`
	EventWhole     float64 `json:"event_whole"` // the whole vehicle's level widened by, sd

	// Learned of meters, ceilings and shops.
	MeterOffsets map[string]float64 `json:"meter_offsets,omitempty"` // decades a meter reads high (+) or low (-)
	Ceilings     map[string]float64 `json:"ceilings,omitempty"`      // monitor ceiling in ohm, by platform

	// Forecast.
	// LeakTemperature: at work a leak is hotter than it was measured. Liquids and
	// dirt conduct by ions, about 2 % a degree (0.0086 decades; the usual
	// compensation of conductivity meters), less than sound insulation: the
	// state's b is taken times Mean, with SD (decades a degree) of its own.
	LeakTemperature    Normal      `json:"leak_temperature"`
	FallSpread         float64     `json:"fall_spread"`         // lognormal sd of a decline's rate in the forecast
	FallPaths          int         `json:"fall_paths"`          // simulated paths per mode
	BudgetFloor        float64     `json:"budget_floor"`        // least share of the code's conductance left to one group
	Calibration        Calibration `json:"calibration"`         // of vehicles whose own monitor is known
	CalibrationTesters Calibration `json:"calibration_testers"` // of vehicles known by testers alone
	FloorPerDay        float64     `json:"floor_per_day"`       // the stated probability is never below this times h
	Ceiling            float64     `json:"ceiling"`             // nor above this
	CrossUnseen        float64     `json:"cross_unseen"`        // accepted chance of crossing unseen, for "measure again by"
	BoundShift         float64     `json:"bound_shift"`         // added to the log-odds of a policy's Bounds (learnBounds)
}

// Default returns the parameters to start with. Those learned from a fleet
// start here. They are judgement unless a source is named.
func Default() Params {
	return Params{
		Version:         "default-1",
		LevelAboveLimit: 1.6, LevelAboveCode: 3.2, LevelSDFleet: 0.7, LevelSDVehicle: 0.42,
		WholeLevel: 7.6, WholeSDFleet: 0.6, WholeSDVehicle: 0.4,
		Humidity: Normal{0.12, 0.10},
		// Halving per 10 C is 0.0301 a degree; the solid-insulation table of
		// ANSI/NETA MTS gives 0.020; thermoset (IEEE 43-2013) 0.006.
		Temperature: Normal{0.020, 0.007},
		Onset:       3e-5, WholeOnset: 2.5e-4, DampShare: 0.25, DropShare: 0.30,
		Slopes:        []float64{0.002, 0.004, 0.008, 0.014, 0.024, 0.042, 0.075},
		DeclineShares: []float64{0.16, 0.22, 0.24, 0.20, 0.10, 0.05, 0.03},
		DampGrowth:    []float64{0.006, 0.014},
		FirstSight:    0.002,
		RateUp:        0.0015, RateDown: 0.001, RateToStable: 0.003, RateDampToStable: 0.001,
		RateDropOnward: 1.0 / 60, RateBetter: 5e-5, RateBetterStable: 1.0 / 30,
		DropJump: Normal{-1.8, 1.0}, BetterJump: Normal{1.0, 0.7},
		LevelNoise: 2e-5, HumidityNoise: 1e-6, SlopeNoise: 40, SlopeSpread: 0.25, GrowthSpread: 0.3,
		ReadingSD: 0.11, VisitSD: 0.05, GivenCelsiusSD: 2, MissingCelsiusSD: 7, MissingRHSD: 18,
		UsualCelsius: 16, SeasonAmplitude: 10, UsualRH: 60,
		ShortHold: Normal{0.146, 0.04}, OtherVoltsSD: 0.1,
		MonitorSD: 0.13, MonitorSDNoTemp: 0.17, MonitorRatioMax: 25, MonitorMemory: 30,
		WanderDays: 5, WanderMemory: 150, WanderMost: 0.6, WanderNoise: 10,
		DipMemory: 300, DipLeast: 0.65, DipLeastSD: 0.12, DipReach: 1.4, DipSD: 0.4, DipDays: 1000,
		SinkNear: 20, SinkFar: 90, SinkOdds: 6,
		SurvivalDays: 7, SurvivalFloor: 0.08,
		LowOutlier: 0.02, LowOutlierShift: Normal{0.8, 0.4}, FlatOutlier: 0.003, SlipShare: 0.004, FlatDecades: 4, WideShare: 0.05, WideFactor: 3,
		FalseAbove: 0.012, FalseBelow: 0.01, BadVisit: 0.02, BadVisitShift: Normal{-0.4, 0.6},
		Rise: map[string]float64{"battery": 10, "cable": 10, "charger": 5, "compressor": 20, "inverter": 25,
			"converter": 25, "heater": 30, "generator": 35, "motor": 40, "fuel_cell": 40},
		RepairedSpread: 2, CleanedLevel: 0.5, CleanedU: 0.1, EventWhole: 1.0,
		LeakTemperature: Normal{0.7, 0.006}, FallSpread: 0.25, FallPaths: 4000, BudgetFloor: 0.1,
		// Fitted to what came of raw chances: between the fit to simulated fleets of the fitting seeds,
		// all physics together, and the fit to these and to those of two simulators
		// written apart. Middle chances of vehicles with a monitor are overstated on mild fleets and understated on rough ones, those
		// of vehicles of which nothing was seen hold, or are understated where testers alone look.
		Calibration:        Calibration{Unseen: -5.2, Seen: -1.75, Scale: 0.8, Horizon: 0.5},
		CalibrationTesters: Calibration{Unseen: -4.85, Seen: -1.7, Scale: 0.8, Horizon: 0.75},
		FloorPerDay:        1e-6, Ceiling: 0.98, CrossUnseen: 0.05,
	}
}

// ParseParams reads parameters written as JSON. Fields that are left out keep
// their defaults; an unusable value is an error that names the field.
func ParseParams(text []byte) (Params, error) {
	p := Default()
	if err := json.Unmarshal(text, &p); err != nil {
		return Params{}, fmt.Errorf("trend parameters: %w", err)
	}
	if err := p.Validate(); err != nil {
		return Params{}, err
	}
	return p, nil
}

// Validate returns an error that names the first field whose value the method
// cannot work with.
func (p *Params) Validate() error {
	if p.Version == "" {
		return fmt.Errorf("trend parameters: version is empty; give the set a name")
	}
	if len(p.Slopes) != numDeclines || len(p.DeclineShares) != numDeclines || len(p.DampGrowth) != numDamps {
		return fmt.Errorf("trend parameters: slopes, decline_shares and damp_growth have %d, %d and %d values; %d, %d and %d are needed",
			len(p.Slopes), len(p.DeclineShares), len(p.DampGrowth), numDeclines, numDeclines, numDamps)
	}
	if !slices.IsSorted(p.Slopes) || p.Slopes[0] <= 0 {
		return fmt.Errorf("trend parameters: slopes %v must be positive and rising", p.Slopes)
	}
	for _, f := range []struct {
		name     string
		value    float64
		low, top float64
	}{
		{"level_sd_vehicle", p.LevelSDVehicle, 1e-3, 5}, {"level_sd_fleet", p.LevelSDFleet, 0, 5},
		{"whole_sd_vehicle", p.WholeSDVehicle, 1e-3, 5}, {"whole_sd_fleet", p.WholeSDFleet, 0, 5},
		{"humidity.sd", p.Humidity.SD, 1e-6, 5}, {"temperature.sd", p.Temperature.SD, 1e-6, 1},
		{"onset", p.Onset, 0, 0.1}, {"whole_onset", p.WholeOnset, 0, 0.1}, {"first_sight", p.FirstSight, 0, 0.5},
		{"damp_share", p.DampShare, 0, 1}, {"drop_share", p.DropShare, 0, 1 - p.DampShare},
		{"rate_up", p.RateUp, 0, 0.1}, {"rate_down", p.RateDown, 0, 0.1}, {"rate_to_stable", p.RateToStable, 0, 0.1},
		{"rate_damp_stable", p.RateDampToStable, 0, 0.1}, {"rate_drop_onward", p.RateDropOnward, 0, 0.1},
		{"rate_better", p.RateBetter, 0, 0.1}, {"rate_better_stable", p.RateBetterStable, 0, 0.5},
		{"reading_sd", p.ReadingSD, 1e-4, 2}, {"visit_sd", p.VisitSD, 0, 2}, {"monitor_sd", p.MonitorSD, 1e-4, 2},
		{"monitor_sd_no_temperature", p.MonitorSDNoTemp, 1e-4, 2}, {"monitor_ratio_max", p.MonitorRatioMax, 1, 1e4},
		{"monitor_memory", p.MonitorMemory, 1, 1e4},
		{"wander_days", p.WanderDays, 1, 1e4}, {"wander_memory", p.WanderMemory, 1, 1e5}, {"wander_most", p.WanderMost, 0, 5}, {"wander_noise", p.WanderNoise, 0, 100},
		{"dip_memory", p.DipMemory, 1, 1e5}, {"dip_least_sd", p.DipLeastSD, 1e-3, 3}, {"dip_sd", p.DipSD, 1e-3, 3}, {"dip_days", p.DipDays, 1, 1e5},
		{"sink_near", p.SinkNear, 1, 1e5}, {"sink_far", p.SinkFar, 1, 1e5}, {"sink_odds", p.SinkOdds, 0, 100},
		{"survival_days", p.SurvivalDays, 0.1, 1e5}, {"survival_floor", p.SurvivalFloor, 1e-6, 1},
		{"low_outlier", p.LowOutlier, 1e-9, 0.3}, {"flat_outlier", p.FlatOutlier, 1e-9, 0.2}, {"flat_decades", p.FlatDecades, 0.1, 20}, {"slip_share", p.SlipShare, 1e-9, 0.05},
		{"wide_share", p.WideShare, 1e-9, 0.4}, {"wide_factor", p.WideFactor, 1, 20}, {"false_above", p.FalseAbove, 1e-9, 0.5}, {"false_below", p.FalseBelow, 1e-9, 0.5}, {"bad_visit", p.BadVisit, 0, 0.5},
		{"fall_paths", float64(p.FallPaths), 100, 1e6}, {"budget_floor", p.BudgetFloor, 1e-3, 1},
		{"calibration.scale", p.Calibration.Scale, 1e-3, 10}, {"calibration_testers.scale", p.CalibrationTesters.Scale, 1e-3, 10},
		{"calibration.seen", p.Calibration.Seen, -20, 20}, {"calibration_testers.seen", p.CalibrationTesters.Seen, -20, 20},
		{"calibration.unseen", p.Calibration.Unseen, -20, p.Calibration.Seen}, {"calibration_testers.unseen", p.CalibrationTesters.Unseen, -20, p.CalibrationTesters.Seen}, {"calibration.dropped", p.Calibration.Dropped, -20, 20}, {"calibration_testers.dropped", p.CalibrationTesters.Dropped, -20, 20},
		{"ceiling", p.Ceiling, 0.5, 1}, {"floor_per_day", p.FloorPerDay, 0, 1e-3},
		{"bound_shift", p.BoundShift, -mostBoundShift, mostBoundShift},
	} {
		if math.IsNaN(f.value) || f.value < f.low || f.value > f.top {
			return fmt.Errorf("trend parameters: %s is %g; allowed are %g to %g", f.name, f.value, f.low, f.top)
		}
	}
	sum := 0.0
	for _, s := range p.DeclineShares {
		sum += s
	}
	if math.Abs(sum-1) > 1e-6 {
		return fmt.Errorf("trend parameters: decline_shares sum to %g; they must sum to 1", sum)
	}
	return nil
}

// temperatureOf returns the prior of b for a component.
func (p *Params) temperatureOf(c insulation.Component) Normal {
	if n, ok := p.ByComponent[c.String()]; ok {
		return n
	}
	return p.Temperature
}
