package insulation

import (
	"fmt"
	"math"
)

// Magnus is one published set of constants of the Magnus form
// e_s = A exp(B T / (C + T)), saturation vapour pressure over water in hPa, T in C.
type Magnus struct{ A, B, C float64 }

// AE96 returns the constants of Alduchov and Eskridge 1996 (J. Appl. Meteor.
// 35, 601-609), stated to +-0.35 C of dew point for -40 to 60 C. The package
// uses these where it does not say otherwise.
func AE96() Magnus { return Magnus{6.1094, 17.625, 243.04} }

// WMO8 returns the constants of WMO No. 8.
func WMO8() Magnus { return Magnus{6.112, 17.62, 243.12} }

// Bolton1980 returns the constants of Bolton 1980 (from memory, not checked against the text).
func Bolton1980() Magnus { return Magnus{6.112, 17.67, 243.5} }

// SaturationPressure returns the saturation vapour pressure in hPa at a temperature in C.
func (m Magnus) SaturationPressure(celsius float64) float64 {
	return m.A * math.Exp(m.B*celsius/(m.C+celsius))
}

// DewPoint returns the dew point in C of air at a temperature in C and a
// relative humidity in percent. It fails where the humidity is not above 0 and
// at most 100, or the temperature is outside -60 to 85 C.
func (m Magnus) DewPoint(celsius, humidityPercent float64) (float64, error) {
	if !(celsius >= MinAirCelsius && celsius <= MaxAirCelsius) {
		return math.NaN(), fmt.Errorf("temperature %v C: allowed is %v to %v C", celsius, MinAirCelsius, MaxAirCelsius)
	}
	if !(humidityPercent > 0 && humidityPercent <= MaxHumidityPercent) {
		return math.NaN(), fmt.Errorf("relative humidity %v %%: allowed is more than 0 and at most 100 %%", humidityPercent)
	}
	g := math.Log(humidityPercent/100) + m.B*celsius/(m.C+celsius)
	return m.C * g / (m.B - g), nil
}

// NearDewPointCelsius is how close above the air's dew point a part counts as
// in danger of condensation (judgement: a hand-held thermometer and hygrometer
// are not better than this together).
const NearDewPointCelsius = 3.0

// partDewPoint returns the part's temperature above the dew point of the air
// around it, and the dew point; ok is false if anything needed was not taken.
func (r *Reading) partDewPoint() (margin, dewPoint float64, ok bool) {
	if math.IsNaN(r.PartCelsius) {
		return 0, 0, false
	}
	dewPoint, err := AE96().DewPoint(r.AirCelsius, r.HumidityPct)
	if err != nil {
		return 0, 0, false
	}
	return r.PartCelsius - dewPoint, dewPoint, true
}
