package bench

import (
	"math"
	"time"

	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

// Vehicle is what a decoder is built into: motor, gears and load, and how well its wheels touch the rails. The zero Vehicle does not move.
type Vehicle struct {
	Top      station.MillimetresPerSecond // front first, at full drive
	Reverse  float64                      // of Top, rear first
	DeadBand float64                      // drive up to which it stands, of full drive
	Curve    float64                      // speed goes with the drive beyond DeadBand to this power
	Lag      time.Duration                // time constant with which its speed follows its drive
	Coast    float64                      // how fast it slows down without power, in mm/s²; 0: it stops dead
	Length   station.Millimetres          // leading end to trailing end, both with pickups
	Warm     float64                      // by how much a warm motor is faster than a cold one
	Scatter  Scatter
	Contact  float64 // chance, in each run, of a fault of contact
	Seed     uint64  // of Scatter and Contact
}

// Scatter is by how much one run differs from another: standard deviations of normal distributions.
type Scatter struct {
	Stop  station.Millimetres // of where it comes to rest in a section
	Speed float64             // of its speed at the same step, relative
}

// warming is how long a motor runs until it is two thirds warm. Invented.
const warming = 5 * time.Minute

// speed is how fast a cold vehicle goes in the end with a drive from 0 to 1.
func (v *Vehicle) speed(drive float64, frontFirst bool) float64 {
	if drive <= v.DeadBand {
		return 0
	}
	s := float64(v.Top) * math.Pow((min(drive, 1)-v.DeadBand)/(1-v.DeadBand), v.Curve)
	if !frontFirst {
		s *= v.Reverse
	}
	return s
}

// coasting is how it comes to rest without power.
func (v *Vehicle) coasting() phase {
	if v.Coast == 0 {
		return dead()
	}
	return slowing(v.Coast, 0)
}

func (v *Vehicle) parse(t *regtoml.Table) {
	*v = Vehicle{Reverse: 1, Curve: 1, Coast: 1000, Length: 120, Seed: 1}
	t.Require("top_mm_s")
	millimetresPerSecond(t, "top_mm_s", &v.Top)
	number(t, "reverse", 0.1, 10, &v.Reverse)
	number(t, "dead_band", 0, 0.9, &v.DeadBand)
	number(t, "curve", 0.1, 10, &v.Curve)
	milliseconds(t, "lag_ms", 10_000, &v.Lag)
	number(t, "coast_mm_s2", 0, 1e6, &v.Coast)
	millimetres(t, "length_mm", 10, 2000, &v.Length)
	number(t, "warm", -0.5, 0.5, &v.Warm)
	millimetres(t, "scatter_mm", 0, 1000, &v.Scatter.Stop)
	number(t, "scatter_speed", 0, 0.2, &v.Scatter.Speed)
	number(t, "contact_faults", 0, 1, &v.Contact)
	if seed, ok := t.Int("seed", 0, 1<<53); ok {
		v.Seed = uint64(seed)
	}
}

func number(t *regtoml.Table, key string, least, most float64, to *float64) {
	if n, ok := t.Float(key, least, most); ok {
		*to = n
	}
}

func millimetres(t *regtoml.Table, key string, least, most float64, to *station.Millimetres) {
	if n, ok := t.Float(key, least, most); ok {
		*to = station.Millimetres(n)
	}
}

func millimetresPerSecond(t *regtoml.Table, key string, to *station.MillimetresPerSecond) {
	if n, ok := t.Float(key, 1, 5000); ok {
		*to = station.MillimetresPerSecond(n)
	}
}
