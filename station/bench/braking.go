package bench

import (
	"maps"
	"slices"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

// Braking is what a decoder does about an asymmetric signal. The zero Braking is none.
type Braking struct {
	Pattern      Pattern
	Senses       Senses
	Deceleration float64                      // in mm/s²: of Late, Creep and Deceleration; of Fading at its Speed
	Speed        station.MillimetresPerSecond // of Creep: at which it creeps; of StopBelow: the limit; of Fading: where Deceleration holds
	Seconds      float64                      // of Time, to standstill
	Exponent     float64                      // of Fading: its distance goes with speed to this power
	Distance     Distance                     // of Even, Late and Creep
}

// Distance is how far a decoder brakes that keeps its distance: Offset, and PerUnit for each unit in its register.
type Distance struct {
	Register   nmra.CV // 0: none, the distance is Offset
	PerUnit    station.Millimetres
	Resolution uint8 // only each such value counts; 0 and 1: every one
	Offset     station.Millimetres
}

// Pattern is how a decoder brakes.
type Pattern uint8

const (
	None         Pattern = iota // it runs on
	Even                        // over a constant distance, slowing down evenly
	Late                        // over a constant distance, running on before it slows down
	Creep                       // over a constant distance, slowing down before it creeps to its end
	Deceleration                // with a constant deceleration
	Time                        // in a constant time
	Fading                      // with a force that falls off with speed, so that its distance grows faster than speed squared
	StopBelow                   // an emergency stop where it is slower than a limit, else nothing
)

// Senses is which asymmetry a decoder takes for a signal at danger.
type Senses uint8

const (
	Nothing   Senses = iota
	Travel           // by the rails on the sides of its direction of travel
	OfVehicle        // by the rails on the sides of the vehicle
	Either           // whichever rail it is
)

// leastAsymmetry is the least difference between the half-waves that a decoder senses. Common practice, no source.
const leastAsymmetry = 1.0

// senses says whether a decoder that goes so in a section brakes. S-9.2.2, CV 27: bit 0 is for the right rail, bit 1 for the left; a
// decoder whose register has none of them to set is for the right one.
func (d *Decoder) senses(s station.Section, way station.Way, frontFirst bool) bool {
	if s.Asymmetric < leastAsymmetry && s.Asymmetric > -leastAsymmetry || d.spec.Braking.Senses == Nothing {
		return false
	}
	const both = 0b11
	stops := cv.Register{CV: automaticStopping}
	enabled, has := d.values[stops]
	if bits, masked := d.spec.Mask[stops]; masked && bits&both == 0 || d.spec.ReadOnly[stops] {
		has = false
	}
	if enabled &= both; !has {
		enabled = 1
	}
	if d.spec.Braking.Senses == Either {
		return enabled != 0
	}
	right := s.Higher == station.Right
	if way == station.Against {
		right = !right
	}
	if d.spec.Braking.Senses == OfVehicle && !frontFirst {
		right = !right
	}
	if s.Asymmetric < 0 {
		right = !right
	}
	if right {
		return enabled&1 != 0
	}
	return enabled&2 != 0
}

// distance is how far a decoder brakes that keeps its distance.
func (d *Decoder) distance() float64 {
	to := d.spec.Braking.Distance
	value := 0
	if to.Register != 0 {
		v := d.values[cv.Register{CV: to.Register}]
		value = int(v - v%max(to.Resolution, 1))
	}
	return float64(to.Offset) + float64(to.PerUnit)*float64(value)
}

// brake is how the decoder brakes from a speed; brakes is false where it does not.
func (d *Decoder) brake(v float64) (p profile, brakes bool) {
	b := &d.spec.Braking
	if v <= 0 {
		return profile{}, b.Pattern != None
	}
	switch b.Pattern {
	case Even:
		return even(v, d.distance()), true
	case Late:
		return late(v, d.distance(), b.Deceleration), true
	case Creep:
		return creep(v, d.distance(), b.Deceleration, float64(b.Speed)), true
	case Deceleration:
		return profile{slowing(b.Deceleration, 0)}, true
	case Time:
		return profile{slowing(v/b.Seconds, 0)}, true
	case Fading:
		return profile{fading(b.Deceleration, float64(b.Speed), b.Exponent)}, true
	case StopBelow:
		return profile{d.spec.Vehicle.coasting()}, v < float64(b.Speed)
	}
	return profile{}, false
}

var patternNames = map[string]Pattern{"none": None, "even": Even, "late": Late, "creep": Creep, "deceleration": Deceleration, "time": Time,
	"fading": Fading, "stop_below": StopBelow}

var sensesNames = map[string]Senses{"nothing": Nothing, "travel": Travel, "vehicle": OfVehicle, "either": Either}

func (s *Spec) braking(t *regtoml.Table) {
	b := &s.Braking
	*b = Braking{}
	t.Require("pattern", "senses")
	b.Pattern = oneOf(t, "pattern", patternNames)
	b.Senses = oneOf(t, "senses", sensesNames)
	switch b.Pattern {
	case Even, Late, Creep:
		s.distance(t)
	case Deceleration:
		t.Require("deceleration_mm_s2")
	case Time:
		t.Require("seconds")
		number(t, "seconds", 0.01, 1000, &b.Seconds)
	case Fading:
		t.Require("deceleration_mm_s2", "at_mm_s", "exponent")
		millimetresPerSecond(t, "at_mm_s", &b.Speed)
		number(t, "exponent", 2, 6, &b.Exponent)
	case StopBelow:
		t.Require("below_mm_s")
		millimetresPerSecond(t, "below_mm_s", &b.Speed)
	}
	switch b.Pattern {
	case Creep:
		t.Require("creep_mm_s")
		millimetresPerSecond(t, "creep_mm_s", &b.Speed)
		fallthrough
	case Late:
		t.Require("deceleration_mm_s2")
		fallthrough
	case Deceleration, Fading:
		number(t, "deceleration_mm_s2", 1, 1e6, &b.Deceleration)
	}
}

func (s *Spec) distance(t *regtoml.Table) {
	d := &s.Braking.Distance
	millimetres(t, "offset_mm", 0, 20_000, &d.Offset)
	n, ok := t.Int("register", 1, int64(nmra.MaxCV))
	if !ok {
		t.Require("offset_mm")
		return
	}
	d.Register = nmra.CV(n)
	s.have(t, "register", cv.Register{CV: d.Register})
	t.Require("mm_per_unit")
	millimetres(t, "mm_per_unit", 0, 1000, &d.PerUnit)
	if n, ok := t.Int("resolution", 1, 255); ok {
		d.Resolution = uint8(n)
	}
}

func oneOf[T any](t *regtoml.Table, key string, names map[string]T) T {
	name, ok := t.String(key)
	is, known := names[name]
	if ok && !known {
		t.Errorf(key, "found %q, want one of %s", name, strings.Join(slices.Sorted(maps.Keys(names)), ", "))
	}
	return is
}
