package prog

import (
	"context"
	"errors"
	"maps"
	"slices"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"

	"github.com/google/go-cmp/cmp"
)

func at(c nmra.CV) cv.Register { return cv.Register{CV: c} }

func paged(c nmra.CV, high, low uint8) cv.Register {
	return cv.Register{CV: c, Page: cv.Page{High: high, Low: low}}
}

// apply plans and applies values.
func apply(t testing.TB, s *Session, wanted cv.Values) Batch {
	t.Helper()
	p, err := s.plan(t.Context(), "test", journal.Decoder{}, wanted, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := p.Apply(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func states(b Batch) map[cv.Register]State {
	m := map[cv.Register]State{}
	for _, row := range b.Rows {
		m[row.Register] = row.State
	}
	return m
}

func TestABatchWritesWhatDiffersAndProvesAll(t *testing.T) {
	s, d, _ := onBench(t, "tram-3", 1)
	before := d.Values()
	wanted := cv.Values{at(3): before[at(3)] + 1, at(4): before[at(4)] + 1, at(29): before[at(29)]}
	b := apply(t, s, wanted)
	if diff := cmp.Diff(map[cv.Register]State{at(3): Written, at(4): Written, at(29): Unchanged}, states(b)); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if got := s.recorder.(*memory).writes; !slices.Equal(got, []cv.Register{at(3), at(4)}) {
		t.Errorf("wrote %v, want 3 and 4 only", got)
	}
	maps.Copy(before, wanted)
	delete(before, at(892))
	if diff := cmp.Diff(before, steady(d, at(892))); diff != "" {
		t.Errorf("the decoder holds (-want +got)\n%s", diff)
	}
	s.recorder.(*memory).writes = nil
	if b := apply(t, s, wanted); !b.Good() || b.Count(Unchanged) != 3 || s.recorder.(*memory).writes != nil {
		t.Errorf("the second time %v, wrote %v", states(b), s.recorder.(*memory).writes)
	}
}

func TestWhatTheDecoderWillNotHoldIsNamed(t *testing.T) {
	s, _, _ := onBench(t, "engine-21", 1)
	b := apply(t, s, cv.Values{
		at(5):   250,  // kept within 0 to 180
		at(9):   7,    // read only
		at(29):  0x0A, // bit 3 will not set
		at(112): 99,   // read only
		at(700): 1,    // absent
		at(3):   30,
	})
	want := map[cv.Register]State{at(5): Clamped, at(9): ReadOnly, at(29): Clamped, at(112): ReadOnly, at(700): NoRegister, at(3): Written}
	if diff := cmp.Diff(want, states(b)); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	for _, row := range b.Rows {
		if row.Register == at(29) && row.Note != "bit 3 will not set" {
			t.Errorf("register 29: %q", row.Note)
		}
	}
}

func TestALockedDecoderIsNamedAndUnlockedFirstWhereTheSetSaysSo(t *testing.T) {
	s, d, _ := onBench(t, "engine-21", 1)
	if b := apply(t, s, cv.Values{at(16): 5}); !b.Good() {
		t.Fatal(states(b))
	}
	if b := apply(t, s, cv.Values{at(3): 31}); states(b)[at(3)] != Refused {
		t.Errorf("a locked decoder: %v %q", states(b), b.Rows[0].Note)
	}
	if b := apply(t, s, cv.Values{at(3): 31, at(15): 5}); !b.Good() || d.Values()[at(3)] != 31 {
		t.Errorf("unlocked: %v", states(b))
	}
}

func TestWritingThePrimaryAddressLeavesNothingElseChanged(t *testing.T) {
	s, d, _ := onBench(t, "tram-3", 1)
	apply(t, s, cv.Values{at(19): 44})
	before := steady(d, at(892))
	if before[at(29)]&0x20 == 0 {
		t.Fatal("the test needs a decoder with its long address in use")
	}
	b := apply(t, s, cv.Values{at(1): 9})
	before[at(1)] = 9
	if diff := cmp.Diff(before, steady(d, at(892))); diff != "" || !b.Good() || len(b.Rows) != 1 {
		t.Errorf("%v (-want +got)\n%s", states(b), diff)
	}
}

func TestIndexPagesArePutBack(t *testing.T) {
	s, d, _ := onBench(t, "engine-30", 1)
	before := steady(d, at(892), at(893), at(894), at(895))
	b := apply(t, s, cv.Values{paged(257, 16, 0): 77, paged(260, 16, 3): 7, at(3): 9})
	before[paged(257, 16, 0)], before[paged(260, 16, 3)], before[at(3)] = 77, 7, 9
	if diff := cmp.Diff(before, steady(d, at(892), at(893), at(894), at(895))); diff != "" || !b.Good() {
		t.Errorf("%v (-want +got)\n%s", states(b), diff)
	}
}

func TestASetFromAFileIsAppliedCheckedAndPutBackAfterAReset(t *testing.T) {
	set, err := regset.Read("../testdata/sets/tram-3-express.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, d, _ := onBench(t, "tram-3", 1)
	put := func() {
		p, err := Prepare(t.Context(), s, set)
		if err != nil {
			t.Fatal(err)
		}
		b, err := p.Apply(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		if b.Count(Clamped) != 1 || b.Count(Clamped)+b.Count(Written)+b.Count(Unchanged) != len(b.Rows) {
			t.Fatal(states(b))
		}
	}
	differing := func() (rs []cv.Register) {
		rows, err := Check(t.Context(), s, set)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			if row.Match != Right {
				rs = append(rs, row.Register)
			}
		}
		return rs
	}
	put()
	if got := differing(); !slices.Equal(got, []cv.Register{at(5)}) {
		t.Errorf("after the set, %v differ, want 5 alone, which the decoder clamps", got)
	}
	before := d.Values()
	result, err := Reset(t.Context(), s, before.Registers())
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range result.Rows {
		if now := d.Values()[row.Register]; row.Register != at(892) && row.Changed() != (before[row.Register] != now) {
			t.Errorf("register %v held %d and holds %d; reported %+v", row.Register, before[row.Register], now, row)
		}
	}
	if got := differing(); len(got) < 3 {
		t.Errorf("after the reset only %v differ", got)
	}
	put()
	if got := differing(); !slices.Equal(got, []cv.Register{at(5)}) {
		t.Errorf("put back, %v differ", got)
	}
}

func TestASetForAnotherDecoderIsRefusedAndNothingWritten(t *testing.T) {
	set, err := regset.Read("../testdata/sets/engine-21-spoil.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, d, _ := onBench(t, "tram-3", 1)
	before := steady(d, at(892))
	var other OtherDecoder
	if _, err := Prepare(t.Context(), s, set); !errors.As(err, &other) || other.Found != 21 || other.Want != 52 {
		t.Errorf("got error %v", err)
	}
	if diff := cmp.Diff(before, steady(d, at(892))); diff != "" || s.recorder.(*memory).writes != nil {
		t.Errorf("something was written\n%s", diff)
	}
}

// cutTrack is a station that fails for good after so many accesses.
type cutTrack struct {
	*bench.Bench
	left int
}

func (c *cutTrack) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if c.left == 0 {
		return station.Answer{}, station.ErrStation
	}
	c.left--
	return c.Bench.Service(ctx, a)
}

// At every access in `make proof`, at every fifth in `make test`.
func TestProofThatABatchThatStopsAtAnyAccessIsResumedAndUndone(t *testing.T) {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	volatile := []cv.Register{at(892), at(893), at(894), at(895)}
	wanted := cv.Values{at(1): 9, at(3): 9, at(17): 199, at(18): 77, at(19): 3, paged(260, 16, 3): 7, paged(257, 17, 0): 8}
	stops := 0
	for stop, whole := 0, false; !whole; stop += campaign(5, 1) {
		stops++
		d := spec.New(1)
		before := steady(d, volatile...)
		track := &cutTrack{bench.New(d), stop}
		rec := new(memory)
		run := func() error {
			s, err := Start(t.Context(), track, DefaultBound, rec)
			if err != nil {
				return err
			}
			p, err := s.plan(t.Context(), "test", journal.Decoder{}, wanted, nil)
			if err != nil {
				return err
			}
			_, err = p.Apply(t.Context(), s)
			return err
		}
		err := run()
		if whole = err == nil; !whole && !errors.Is(err, station.ErrStation) {
			t.Fatal(err)
		}
		for r, v := range steady(d, volatile...) {
			if before[r] != v && rec.held[r] != before[r] {
				t.Fatalf("stopped after %d accesses: register %v held %d, which was not kept", stop, r, before[r])
			}
		}
		kept := journal.Record{Held: rec.held, Wanted: rec.wanted, Header: journal.Header{Decoder: journal.Decoder{Maker: 13, Version: 34}}}
		track = &cutTrack{track.Bench, -1}
		again := func(plan func(context.Context, *Session, journal.Record) (Plan, error)) Batch {
			s, err := Start(t.Context(), track, DefaultBound, new(memory))
			if err != nil {
				t.Fatal(err)
			}
			p, err := plan(t.Context(), s, kept)
			if err != nil {
				t.Fatal(err)
			}
			b, err := p.Apply(t.Context(), s)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		if rec.wanted != nil {
			b := again(Resume)
			want := maps.Clone(before)
			maps.Copy(want, wanted)
			if diff := cmp.Diff(want, steady(d, volatile...)); diff != "" || !b.Good() {
				t.Fatalf("stopped after %d accesses and resumed: %v (-want +got)\n%s", stop, states(b), diff)
			}
		}
		b := again(Undo)
		if diff := cmp.Diff(before, steady(d, volatile...)); diff != "" || !b.Good() {
			t.Fatalf("stopped after %d accesses and undone: %v (-want +got)\n%s", stop, states(b), diff)
		}
	}
	t.Logf("stopped at %d accesses, each time resumed and undone: no old value lost", stops)
}

func TestAResetThatIsRefusedIsNotTakenForOne(t *testing.T) {
	spec, err := bench.BuiltIn("engine-21")
	if err != nil {
		t.Fatal(err)
	}
	spec.Registers = maps.Clone(spec.Registers)
	spec.Registers[at(16)] = 5 // locked: it takes no reset
	spec.Ack.Lost, spec.Ack.False = 0.1, 0.06
	for seed := range uint64(campaign(5, 50)) {
		d := spec.New(seed)
		s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
		if err != nil {
			t.Fatal(err)
		}
		result, err := Reset(t.Context(), s, []cv.Register{at(3), at(4), at(29)})
		if err != nil || result.Proven {
			t.Errorf("seed %d: proven %v, error %v", seed, result.Proven, err)
		}
	}
}

func TestAResetIsProvenByWhatItDoes(t *testing.T) {
	s, _, _ := onBench(t, "engine-21", 1) // its reset takes two power cycles
	result, err := Reset(t.Context(), s, []cv.Register{at(3)})
	if err != nil || !result.Proven || result.Cycles != 2 || result.Rows[0].Changed() {
		t.Errorf("fresh from its box: %+v, %v; want it proven by CV 8", result, err)
	}
}

// cutAndGoOn applies values, fails at an access, and gives the record of what was done.
func cutAndGoOn(t *testing.T, d *bench.Decoder, wanted cv.Values, stop int) (whole bool, rec journal.Record) {
	t.Helper()
	kept := new(memory)
	track := &cutTrack{bench.New(d), stop}
	s, err := Start(t.Context(), track, DefaultBound, kept)
	if err == nil {
		rec.Decoder, err = s.Decoder(t.Context())
		rec.Address = rec.Decoder.Address
	}
	if err == nil {
		var p Plan
		if p, err = s.plan(t.Context(), "test", rec.Decoder, wanted, nil); err == nil {
			_, err = p.Apply(t.Context(), s)
		}
	}
	if err != nil && !errors.Is(err, station.ErrStation) {
		t.Fatal(err)
	}
	rec.Held, rec.Wanted = kept.held, kept.wanted
	for n, r := range kept.writes {
		rec.Writes = append(rec.Writes, journal.Write{Register: r, Value: kept.values[n]})
	}
	return err == nil, rec
}

// goOn does what a plan from a record says, in a session of its own.
func goOn(t *testing.T, d *bench.Decoder, rec journal.Record, plan func(context.Context, *Session, journal.Record) (Plan, error)) (Batch, error) {
	t.Helper()
	s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan(t.Context(), s, rec)
	if err != nil {
		return Batch{}, err
	}
	return p.Apply(t.Context(), s)
}

func TestABatchThatLocksTheDecoderIsResumedAndUndone(t *testing.T) {
	spec, err := bench.BuiltIn("engine-21")
	if err != nil {
		t.Fatal(err)
	}
	for _, wanted := range []cv.Values{{at(16): 5}, {at(15): 3, at(16): 5}, {at(3): 31, at(15): 9, at(16): 9}, {at(3): 31, at(15): 9}} {
		for stop, whole := 0, false; !whole; stop += campaign(7, 1) {
			d := spec.New(1)
			before := d.Values()
			var rec journal.Record
			whole, rec = cutAndGoOn(t, d, wanted, stop)
			if rec.Wanted == nil {
				continue
			}
			if !whole {
				if b, err := goOn(t, d, rec, Resume); err != nil || !b.Good() {
					t.Fatalf("%v stopped after %d and resumed: %v, %v", wanted, stop, states(b), err)
				}
				want := maps.Clone(before)
				maps.Copy(want, wanted)
				if diff := cmp.Diff(want, d.Values()); diff != "" {
					t.Fatalf("%v stopped after %d and resumed (-want +got)\n%s", wanted, stop, diff)
				}
				// What resuming wrote is in the same journal.
				for r, v := range wanted {
					rec.Writes = append(rec.Writes, journal.Write{Register: r, Value: v})
				}
			}
			if b, err := goOn(t, d, rec, Undo); err != nil || !b.Good() {
				t.Fatalf("%v stopped after %d and undone: %v, %v", wanted, stop, states(b), err)
			}
			if diff := cmp.Diff(before, d.Values()); diff != "" {
				t.Fatalf("%v stopped after %d and undone (-want +got)\n%s", wanted, stop, diff)
			}
		}
	}
}

func TestARegisterOnAPageIsUndoneThereEvenWhereAnotherPageIsChosen(t *testing.T) {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	d := spec.New(1)
	before := steady(d, at(892), at(893), at(894), at(895))
	_, rec := cutAndGoOn(t, d, cv.Values{paged(260, 16, 3): 99}, -1)
	if b, err := goOn(t, d, rec, Undo); err != nil || !b.Good() {
		t.Fatal(states(b), err)
	}
	if diff := cmp.Diff(before, steady(d, at(892), at(893), at(894), at(895))); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	// The same register, named by the page that is chosen: what is planned names the page.
	s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	p, err := Prepare(t.Context(), s, regset.Set{Registers: cv.Values{at(257): 44}})
	if err != nil || len(p.Steps) != 1 || p.Steps[0].Register != paged(257, 16, 0) {
		t.Errorf("planned %+v, %v; want register 257@16.0", p.Steps, err)
	}
	both := regset.Set{Registers: cv.Values{at(257): 44, paged(257, 16, 0): 45}}
	if _, err := Prepare(t.Context(), s, both); err == nil {
		t.Error("two values for one register were planned")
	}
}

func TestABatchIsNotUndoneOnAnotherVehicle(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	_, rec := cutAndGoOn(t, spec.New(1), cv.Values{at(3): 99}, -1)
	spec.Registers = maps.Clone(spec.Registers)
	spec.Registers[at(18)]++
	twin := spec.New(1)
	before := steady(twin, at(892))
	var other OtherVehicle
	if _, err := goOn(t, twin, rec, Undo); !errors.As(err, &other) || other.Register != at(18) {
		t.Errorf("got error %v", err)
	}
	if diff := cmp.Diff(before, steady(twin, at(892))); diff != "" {
		t.Errorf("it was changed\n%s", diff)
	}
}
