package wire

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"math"
	"strings"
	"sync"
	"time"

	"creepage/internal/insulation"
)

// DerivedID returns the identity of a reading whose sender gave none: the same
// for the same content, whatever the moment or order in which it is sent.
func DerivedID(v *insulation.Reading) string {
	sum := ContentHash(v)
	return "derived-" + strings.ToLower(base32.HexEncoding.WithPadding(base32.NoPadding).EncodeToString(sum[:15]))
}

// ContentHash is SHA-256 over what the sender said: every field but the
// identity and the time of receipt.
func ContentHash(v *insulation.Reading) [sha256.Size]byte {
	buf := contentBuffers.Get().(*[]byte)
	b := (*buf)[:0]
	for _, f := range contentFields {
		b = f.append(b, v)
	}
	sum := sha256.Sum256(b)
	*buf = b
	contentBuffers.Put(buf)
	return sum
}

// contentBuffers spare every reading a buffer of its own.
var contentBuffers = sync.Pool{New: func() any { return new(make([]byte, 0, 512)) }}

// DifferingFields names the contract's fields in which two readings' content
// differs, in the contract's order.
func DifferingFields(a, b *insulation.Reading) []string {
	var names []string
	for _, f := range contentFields {
		if string(f.append(nil, a)) != string(f.append(nil, b)) {
			names = append(names, f.name)
		}
	}
	return names
}

// contentFields append each field in a form of its own length, so that no two
// contents read alike.
var contentFields = []struct {
	name   string
	append func([]byte, *insulation.Reading) []byte
}{
	{"shop", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Shop) }},
	{"vehicle", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Vehicle) }},
	{"platform", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Platform) }},
	{"measure_time", func(b []byte, v *insulation.Reading) []byte { return appendTime(b, v.MeasuredAt) }},
	{"visit", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Visit) }},
	{"method", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Method)) }},
	{"component", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Component)) }},
	{"conductor", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Conductor)) }},
	{"reference", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Reference)) }},
	{"quantity", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Quantity)) }},
	{"relation", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Relation)) }},
	{"resistance_ohms", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.Ohms) }},
	{"test_volts", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.TestVolts) }},
	{"hold_seconds", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.HoldSeconds) }},
	{"temperature_celsius", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.AirCelsius) }},
	{"humidity_percent", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.HumidityPct) }},
	{"part_temperature_celsius", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.PartCelsius) }},
	{"meter", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Meter) }},
	{"range_ohms", func(b []byte, v *insulation.Reading) []byte { return appendNumber(b, v.RangeOhms) }},
	{"calibration_time", func(b []byte, v *insulation.Reading) []byte { return appendTime(b, v.CalibratedAt) }},
	{"qualification", func(b []byte, v *insulation.Reading) []byte { return appendText(b, v.Qualification) }},
	{"precautions", appendPrecautions},
	{"moisture", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Moisture)) }},
	{"warmth", func(b []byte, v *insulation.Reading) []byte { return append(b, byte(v.Warmth)) }},
}

func appendPrecautions(b []byte, v *insulation.Reading) []byte {
	p := &v.Precautions
	for _, stated := range []*bool{p.LockedOut, p.ZeroVoltsProven, p.GlovesAirTested, p.EyeProtection, p.DischargedAfter, p.SecondPersonNear} {
		b = append(b, statedByte(stated))
	}
	for _, stated := range []*float64{p.WaitedSeconds, p.ResidualVolts} {
		if stated == nil {
			b = appendNumber(b, math.NaN())
		} else {
			b = appendNumber(b, *stated)
		}
	}
	return appendTime(b, p.GlovesTested)
}

func statedByte(v *bool) byte {
	switch {
	case v == nil:
		return 0
	case *v:
		return 1
	}
	return 2
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func appendNumber(b []byte, v float64) []byte {
	if math.IsNaN(v) { // one NaN, whatever its bits
		v = math.NaN()
	}
	return binary.BigEndian.AppendUint64(b, math.Float64bits(v))
}

// appendTime writes microseconds, the precision in which times are kept.
func appendTime(b []byte, t time.Time) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(t.UnixMicro()))
}
