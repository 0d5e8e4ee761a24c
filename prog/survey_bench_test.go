package prog

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station/bench"
)

// surveyed is one decoder of BenchmarkSurvey, and what a sheet of its kind says of it.
type surveyed struct {
	name  string
	spec  bench.Spec
	sheet cv.Values // the values that the kind leaves its maker with
}

// surveyDecoders are the built-in decoders that answer in direct mode, and a dozen generated ones. All are on a clean track; what
// each holds has been changed here and there since it left its maker, as happens in use.
func surveyDecoders(tb testing.TB) (all []surveyed) {
	for _, name := range bench.Names() {
		spec, err := bench.BuiltIn(name)
		if err != nil {
			tb.Fatal(err)
		}
		if spec.Modes[0] == nmra.Direct && name != "tram-3-short" {
			all = append(all, surveyed{name: name, spec: spec})
		}
	}
	for n := range 12 {
		all = append(all, surveyed{name: fmt.Sprintf("generated %d", n+1), spec: generate(uint64(n + 1))})
	}
	for n := range all {
		d := &all[n]
		d.spec.Ack.Lost, d.spec.Ack.False, d.spec.Ack.Ragged = 0, 0, 0
		d.spec.Changing = nil
		d.sheet = d.spec.Registers
		d.spec.Registers = used(d.sheet, uint64(n))
	}
	return all
}

// used is what a decoder holds after some time of use: another address, and one register in twenty-five set otherwise.
func used(v cv.Values, seed uint64) cv.Values {
	random := rand.New(rand.NewPCG(seed, 1))
	out := cv.Values{}
	for _, r := range v.Registers() {
		out[r] = v[r]
		switch {
		case r.CV == 7 || r.CV == 8 || r.CV == 31 || r.CV == 32:
		case r.CV == 1, r.CV == 18:
			out[r] = uint8(1 + random.IntN(127))
		case random.IntN(25) == 0:
			out[r] = uint8(random.IntN(256))
		}
	}
	return out
}

// generate makes a decoder of the kind that is sold today, invented: the standard's registers, a speed table, output mapping, and some
// areas of the maker's own, in which most registers hold 0 or repeat a pattern.
func generate(seed uint64) bench.Spec {
	random := rand.New(rand.NewPCG(seed, 0))
	v := cv.Values{}
	set := func(c int, value int) { v[cv.Register{CV: nmra.CV(c)}] = uint8(value) }
	pick := func(values ...int) int { return values[random.IntN(len(values))] }
	set(1, 3)
	for c := 2; c <= 6; c++ {
		set(c, pick(1, 2, 4, 8, 12, 20, 64, 128, 255))
	}
	set(7, 10+random.IntN(90))
	set(8, 13)
	set(9, random.IntN(64))
	set(10, pick(0, 0, 128))
	set(11, pick(0, 8, 20))
	set(13, pick(0, 1))
	set(14, pick(0, 3, 64))
	set(17, 192+random.IntN(40))
	set(18, random.IntN(256))
	for _, c := range []int{15, 16, 19, 21, 22, 23, 24, 27, 28, 30} {
		set(c, pick(0, 0, 0, 3))
	}
	set(29, pick(2, 6, 14, 38))
	for c := 33; c <= 46; c++ {
		set(c, 1<<min(c-33, 7)>>pick(0, 0, 0, 3))
	}
	for c := 47; c <= 64; c++ {
		set(c, pick(0, 0, 0, 1, 5, 16, 40, 100, random.IntN(256)))
	}
	set(65, pick(0, 0, 30))
	for i := range 28 {
		set(67+i, 1+i*254/27)
	}
	set(66, 128)
	set(95, 128)
	set(105, 0)
	set(106, 0)
	for c, end := 112, 112+pick(48, 96, 145, 145); c < end; c++ {
		set(c, pick(0, 0, 0, 0, 255, 1, 4, 10, 32, 64, 128, random.IntN(256)))
	}
	if random.IntN(5) > 0 { // an index page of records of eight registers each, as sounds and effects have them
		set(31, 16)
		set(32, 0)
		record := [8]int{pick(0, 1), pick(64, 128), pick(0, 100, 255), 0, 0, pick(0, 7), 0, 0}
		used := pick(64, 128, 192) // of 256; the rest holds 0
		for c := 257; c <= 512; c++ {
			r := cv.Register{CV: nmra.CV(c), Page: cv.Page{High: 16}}
			switch {
			case c >= 257+used:
				v[r] = 0
			case random.IntN(8) == 0:
				v[r] = uint8(random.IntN(256))
			default:
				v[r] = uint8(record[(c-257)%8])
			}
		}
	}
	if random.IntN(3) > 0 {
		for c, end := 513, 513+pick(96, 192, 367); c < end; c++ {
			set(c, pick(0, 0, 0, 0, 0, 0, 255, 1, 30, random.IntN(256)))
		}
	}
	return bench.Spec{
		Title:     fmt.Sprintf("Port Elvering works decoder %d", seed),
		Modes:     []nmra.Mode{nmra.Direct},
		Registers: v,
		Ack:       bench.Ack{Current: 80, Time: 6 * time.Millisecond},
		Rest:      bench.Rest{Current: 8},
		WriteTime: 4 * time.Millisecond,
	}
}

// behind is what a register holds on the page that CV 31 and 32 choose.
func behind(v cv.Values, r cv.Register) (value uint8, there bool) {
	value, there = v[r]
	if r.Indexed() && !there {
		value, there = v[cv.Register{CV: r.CV, Page: cv.Page{High: v[indexHigh], Low: v[indexLow]}}]
	}
	return value, there
}

// everyRegister is 1 to 1024.
func everyRegister() (rs []cv.Register) {
	for c := nmra.CV(1); c <= nmra.MaxCV; c++ {
		rs = append(rs, cv.Register{CV: c})
	}
	return rs
}

// judge counts the readings that are wrong, those that could not be proven and those that are missing.
func judge(d *bench.Decoder, readings map[cv.Register]Reading) (wrong, unsure int) {
	truth := d.Values()
	for _, r := range everyRegister() {
		got := readings[r]
		v, there := behind(truth, r)
		switch {
		case got.State == Unsure:
			unsure++
		case got.State == Proven != there, there && got.Value != v:
			wrong++
		}
	}
	return wrong, unsure
}

// oneByOne reads every register with a method that knows no other.
func oneByOne(tb testing.TB, read func(cv.Register) (Reading, error)) map[cv.Register]Reading {
	readings := map[cv.Register]Reading{}
	for _, r := range everyRegister() {
		got, err := read(r)
		if err != nil {
			tb.Fatal(err)
		}
		readings[r] = got
	}
	return readings
}

// textbook reads as the textbooks have it: eight verifies of a bit and one of the byte, each behind its resets, whatever the answers.
func textbook(tb testing.TB, track *bench.Bench, d *bench.Decoder) (time.Duration, int, int) {
	var airtime time.Duration
	if draw, err := track.PowerOn(context.Background()); err != nil {
		tb.Fatal(err)
	} else {
		airtime += draw.Airtime
	}
	ask := func(a nmra.Access) (bool, error) {
		answer, err := track.Service(context.Background(), a)
		airtime += answer.Airtime
		return answer.Acknowledged, err
	}
	wrong, unsure := judge(d, oneByOne(tb, func(r cv.Register) (Reading, error) {
		var v uint8
		for bit := range uint8(8) {
			set, err := ask(nmra.Access{Operation: nmra.VerifyBit, CV: r.CV, Bit: bit, BitValue: true})
			if err != nil {
				return Reading{}, err
			}
			if set {
				v |= 1 << bit
			}
		}
		right, err := ask(nmra.Access{Operation: nmra.Verify, CV: r.CV, Value: v})
		if !right {
			return Reading{Register: r, State: Absent}, err
		}
		return Reading{Register: r, State: Proven, Value: v}, err
	}))
	return airtime, wrong, unsure
}

// ours reads with a session of its own. hints may be nil.
func ours(tb testing.TB, track *bench.Bench, d *bench.Decoder, hints func(cv.Register) Hint) (time.Duration, int, int) {
	s, err := Start(context.Background(), track, DefaultBound, nil)
	if err != nil {
		tb.Fatal(err)
	}
	s.Hints = hints
	readings, err := s.readAll(context.Background(), "reading", everyRegister(), nil, quick, nil)
	if err != nil {
		tb.Fatal(err)
	}
	wrong, unsure := judge(d, readings)
	return s.Tally().Airtime, wrong, unsure
}

// sheetHints says what a sheet says.
func sheetHints(sheet cv.Values) func(cv.Register) Hint {
	return func(r cv.Register) Hint {
		if v, ok := behind(sheet, r); ok {
			return Hint{Values: []uint8{v}}
		}
		return Hint{Absent: true}
	}
}

// oracle knows what every register holds and only proves it, as fast as the standard lets it: one verify of the byte, or of both values
// of a bit where the register is absent.
func oracle(tb testing.TB, track *bench.Bench, d *bench.Decoder) (time.Duration, int, int) {
	var airtime time.Duration
	draw, err := track.PowerOn(context.Background())
	if err != nil {
		tb.Fatal(err)
	}
	airtime += draw.Airtime
	truth := d.Values()
	lead := nmra.Entry
	ask := func(a nmra.Access) (bool, error) {
		a.Lead = lead
		answer, err := track.Service(context.Background(), a)
		airtime += answer.Airtime
		lead = nmra.Onward
		if answer.Acknowledged {
			lead = nmra.AfterReset
		}
		return answer.Acknowledged, err
	}
	wrong, unsure := judge(d, oneByOne(tb, func(r cv.Register) (Reading, error) {
		v, there := behind(truth, r)
		if there {
			right, err := ask(nmra.Access{Operation: nmra.Verify, CV: r.CV, Value: v})
			if !right {
				return Reading{}, err
			}
			return Reading{Register: r, State: Proven, Value: v}, err
		}
		for _, set := range []bool{true, false} {
			if answered, err := ask(nmra.Access{Operation: nmra.VerifyBit, CV: r.CV, Bit: 7, BitValue: set}); answered || err != nil {
				return Reading{}, err
			}
		}
		return Reading{Register: r, State: Absent}, nil
	}))
	return airtime, wrong, unsure
}

// The airtime that a survey may take, in parts of the textbook's and, on a dirty track, of its own on a clean one. The dirty
// track is for `make proof`.
func TestProofThatASurveyTakesAFractionOfTheTextbooksAirtime(t *testing.T) {
	var book, fresh, sheet, noisy time.Duration
	dirty := campaign(0, 1) > 0
	for n, of := range surveyDecoders(t) {
		on := func(lost, spurious float64) (*bench.Bench, *bench.Decoder) {
			of.spec.Ack.Lost, of.spec.Ack.False = lost, spurious
			d := of.spec.New(uint64(n))
			return bench.New(d), d
		}
		add := func(sum *time.Duration, took time.Duration, wrong, unsure int) {
			*sum += took
			if wrong > 0 || unsure > 0 {
				t.Errorf("%s: %d wrong, %d unsure", of.name, wrong, unsure)
			}
		}
		track, d := on(0, 0)
		took, wrong, unsure := textbook(t, track, d)
		add(&book, took, wrong, unsure)
		track, d = on(0, 0)
		took, wrong, unsure = ours(t, track, d, nil)
		add(&fresh, took, wrong, unsure)
		track, d = on(0, 0)
		took, wrong, unsure = ours(t, track, d, sheetHints(of.sheet))
		add(&sheet, took, wrong, unsure)
		if dirty {
			track, d = on(0.05, 0.01)
			took, wrong, unsure = ours(t, track, d, nil)
			add(&noisy, took, wrong, unsure)
		}
	}
	for _, c := range []struct {
		name     string
		took, of time.Duration
		most     float64
	}{{"with no sheet", fresh, book, 0.20}, {"with a sheet", sheet, book, 0.125}, {"on a dirty track", noisy, fresh, 2.5}} {
		part := c.took.Seconds() / c.of.Seconds()
		t.Logf("%s: %.4f, at most %v", c.name, part, c.most)
		if part > c.most {
			t.Errorf("%s: %.4f, want at most %v", c.name, part, c.most)
		}
	}
}

// BenchmarkSurvey reads all 1024 registers of each decoder. airtime-s is the virtual clock's, a decoder on the average; wrong and unsure are
// registers, of all decoders together.
func BenchmarkSurvey(b *testing.B) {
	decoders := surveyDecoders(b)
	type method func(tb testing.TB, track *bench.Bench, d *bench.Decoder, of surveyed) (time.Duration, int, int)
	for _, m := range []struct {
		name        string
		lost, false float64
		read        method
	}{
		{"textbook", 0, 0, func(tb testing.TB, t *bench.Bench, d *bench.Decoder, _ surveyed) (time.Duration, int, int) {
			return textbook(tb, t, d)
		}},
		{"fresh", 0, 0, func(tb testing.TB, t *bench.Bench, d *bench.Decoder, _ surveyed) (time.Duration, int, int) {
			return ours(tb, t, d, nil)
		}},
		{"sheet", 0, 0, func(tb testing.TB, t *bench.Bench, d *bench.Decoder, of surveyed) (time.Duration, int, int) {
			return ours(tb, t, d, sheetHints(of.sheet))
		}},
		{"oracle", 0, 0, func(tb testing.TB, t *bench.Bench, d *bench.Decoder, _ surveyed) (time.Duration, int, int) {
			return oracle(tb, t, d)
		}},
		{"noisy", 0.05, 0.01, func(tb testing.TB, t *bench.Bench, d *bench.Decoder, _ surveyed) (time.Duration, int, int) {
			return ours(tb, t, d, nil)
		}},
	} {
		b.Run(m.name, func(b *testing.B) {
			var airtime time.Duration
			var wrong, unsure int
			for b.Loop() {
				airtime, wrong, unsure = 0, 0, 0
				for n, of := range decoders {
					of.spec.Ack.Lost, of.spec.Ack.False = m.lost, m.false
					d := of.spec.New(uint64(n))
					t, w, u := m.read(b, bench.New(d), d, of)
					airtime, wrong, unsure = airtime+t, wrong+w, unsure+u
				}
			}
			b.ReportMetric(airtime.Seconds()/float64(len(decoders)), "airtime-s")
			b.ReportMetric(float64(wrong), "wrong")
			b.ReportMetric(float64(unsure), "unsure")
		})
	}
}
