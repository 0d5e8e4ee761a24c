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
	set, err := regset.Read("../testdata/sets/tram-3-street.toml")
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
