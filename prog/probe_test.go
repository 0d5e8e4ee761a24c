package prog

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
	"fettle/station"
	"fettle/station/bench"

	"github.com/google/go-cmp/cmp"
)

// truth is what a probe should find of a register, from what the decoder was made to be.
func truth(spec bench.Spec, r cv.Register, old uint8) (f sheet.Finding, both bool) {
	f.Register = r
	if spec.ReadOnly[r] {
		return f, false // CV 29 never is
	}
	of := rule{mask: 255, high: 255}
	if m, ok := spec.Mask[r]; ok {
		of.mask = m
	}
	if span, ok := spec.Clamp[r]; ok {
		of.low, of.high = span.Least, span.Most
	}
	free := freeBits(r)
	f.LeftAlone = ^free
	for v := range 256 {
		f.Mask |= (of.after(old, uint8(v)) ^ old) & free
	}
	if f.Writable = f.Mask != 0; f.Writable && free == 255 {
		f.Values = []cv.ByteRange{{Low: max(of.low, old&^of.mask), High: min(of.high, old|of.mask)}}
	}
	return f, of.limited() && of.mask != 255
}

// expect holds what a probe found against the truth. Where bits and limits go together only the bits are compared, and blank says that
// they change after more writes than are made: the note says then that nothing did.
func expect(t *testing.T, spec bench.Spec, before cv.Values, row Probed) (blank bool) {
	t.Helper()
	old, there := before[row.Register]
	if there != (row.Before.State == Proven) || there && old != row.Before.Value {
		t.Errorf("register %v holds %d (there: %v), read as %d (%v)", row.Register, old, there, row.Before.Value, row.Before.State)
	}
	if !row.Done() {
		return false
	}
	want, both := truth(spec, row.Register, old)
	got := row.Finding
	if both {
		want.Values, got.Values = nil, nil
		if !got.Writable && strings.Contains(row.Note, fmt.Sprintf("none of %d changed it", mostBlank)) {
			return want.Writable
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("register %v held %d, mask %08b, clamp %v: %q after %d writes (-want +found)\n%s",
			row.Register, old, spec.Mask[row.Register], spec.Clamp[row.Register], row.Note, row.Writes, diff)
	}
	return false
}

func TestAProbeFindsWhatTheDecoderWasMadeToBeAndLeavesItAsItWas(t *testing.T) {
	for _, c := range []struct {
		name      string
		registers []cv.Register
		volatile  []cv.Register
	}{
		{"engine-21", span(1, 256, cv.Page{}), nil},
		{"tram-3", append(span(1, 256, cv.Page{}), at(892)), []cv.Register{at(892)}},
		{"shunter-7", append(span(1, 9, cv.Page{}), at(23), at(29), at(49), at(95)), nil},
		{"engine-30", slices.Concat(
			span(1, 140, cv.Page{}), span(257, 262, cv.Page{High: 16, Low: 0}), span(257, 264, cv.Page{High: 17, Low: 0})),
			[]cv.Register{at(892), at(893), at(894), at(895)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, d, _ := onBench(t, c.name, 1)
			spec, err := bench.BuiltIn(c.name)
			if err != nil {
				t.Fatal(err)
			}
			before := steady(d, c.volatile...)
			var told []Probed
			p := Probe{Registers: c.registers, Found: func(row Probed) error { told = append(told, row); return nil }}
			result, err := p.Run(t.Context(), s)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(before, steady(d, c.volatile...)); diff != "" || result.Changed != nil {
				t.Errorf("%v (-before +after)\n%s", result.Changed, diff)
			}
			if diff := cmp.Diff(result.Rows, told); diff != "" {
				t.Errorf("(-result +told)\n%s", diff)
			}
			writes, most, done := 0, 0, 0
			for _, row := range result.Rows {
				if expect(t, spec, before, row) {
					t.Errorf("register %v: no bit seen to change", row.Register)
				}
				if row.Done() {
					done++
				}
				writes, most = writes+row.Writes, max(most, row.Writes)
			}
			if want := len(result.Rows); most > 13 || done == 0 || writes > 6*done {
				t.Errorf("%d of %d registers probed with %d writes, %d at most", done, want, writes, most)
			}
			for _, r := range s.recorder.(*memory).writes {
				if Spared(r) != "" && r.CV != 31 && r.CV != 32 {
					t.Errorf("wrote to register %v", r)
				}
			}
			t.Logf("%d registers probed, %d writes, %d at most; %d questions, %v on the track",
				done, writes, most, s.Tally().Operations, s.Tally().Airtime)
		})
	}
}

func TestAProbeNeverWritesTheBitsOf29ThatDecideTheAddress(t *testing.T) {
	s, d, _ := onBench(t, "tram-3", 1)
	old := d.Values()[at(29)]
	rec := &values{memory: s.recorder.(*memory)}
	s.recorder = rec
	result, err := Probe{Registers: []cv.Register{at(29)}}.Run(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2.2 (July 2012), CV 29: bit 5 says which address is in use, bit 7 that it is an accessory decoder.
	for _, v := range rec.written {
		if (v^old)&0b1010_0000 != 0 {
			t.Errorf("wrote %08b over %08b", v, old)
		}
	}
	if got := result.Rows[0].Mask; got != 0b0001_1111 || len(rec.written) == 0 {
		t.Errorf("found bits %08b after %d writes, want the five others that the decoder has", got, len(rec.written))
	}
}

// values is a recorder that keeps what was written.
type values struct {
	*memory
	written []uint8
}

func (v *values) Writing(r cv.Register, value uint8) error {
	v.written = append(v.written, value)
	return v.memory.Writing(r, value)
}

func TestRegistersThatDecideWhatADecoderAnswersToAreSpared(t *testing.T) {
	// NMRA S-9.2.2 (July 2012): addresses, version, maker, lock, consist, index, extended maker and version, volatile registers.
	spared := slices.Concat(span(1, 1, cv.Page{}), span(7, 8, cv.Page{}), span(15, 19, cv.Page{}), span(31, 32, cv.Page{}),
		span(107, 111, cv.Page{}), span(880, 895, cv.Page{}))
	for _, r := range span(1, nmra.MaxCV, cv.Page{}) {
		if got := Spared(r) != ""; got != slices.Contains(spared, r) {
			t.Errorf("register %v: spared: %v", r, got)
		}
	}
	s, d, _ := onBench(t, "engine-30", 1)
	before := steady(d, at(892))
	result, err := Probe{Registers: spared}.Run(t.Context(), s)
	if err != nil || len(result.Rows) > 0 || s.recorder.(*memory).writes != nil {
		t.Errorf("%v, %v, wrote %v", result.Rows, err, s.recorder.(*memory).writes)
	}
	if diff := cmp.Diff(before, steady(d, at(892))); diff != "" {
		t.Errorf("(-before +after)\n%s", diff)
	}
}

func TestASecondDecoderInTheVehicleIsSeenBeforeItsRegisterIsWritten(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	other := spec
	other.Registers = maps.Clone(spec.Registers)
	other.Registers[at(50)] ^= 0x15
	rec := new(memory)
	s, err := Start(t.Context(), bench.New(spec.New(1), other.New(2)), DefaultBound, rec)
	if err == nil {
		_, err = Probe{Registers: span(50, 50, cv.Page{})}.Run(t.Context(), s)
	}
	if !errors.Is(err, ErrSeveral) || rec.writes != nil {
		t.Errorf("got %v, wrote %v", err, rec.writes)
	}
}

func TestALockedDecoderIsNotTakenForOneThatIsReadOnly(t *testing.T) {
	s, _, _ := onBench(t, "engine-21", 1)
	if b := apply(t, s, cv.Values{at(16): 5}); !b.Good() {
		t.Fatal(states(b))
	}
	_, err := Probe{Registers: span(2, 6, cv.Page{})}.Run(t.Context(), s)
	if want := (Locked{0, 5}); !errors.Is(err, want) {
		t.Errorf("got %v, want %v", err, want)
	}
}

func TestAProbeForAnotherDecoderWritesNothing(t *testing.T) {
	s, _, _ := onBench(t, "tram-3", 1)
	maker := uint8(99)
	var other OtherDecoder
	p := Probe{Decoder: regset.Guard{Maker: &maker}, Registers: span(2, 6, cv.Page{})}
	if _, err := p.Run(t.Context(), s); !errors.As(err, &other) {
		t.Errorf("got %v", err)
	}
	if got := s.recorder.(*memory).writes; got != nil {
		t.Errorf("wrote %v", got)
	}
}

func TestAProbeStopsAtAValueThatIsNotTakenBack(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	spec.Clamp = maps.Clone(spec.Clamp)
	spec.Clamp[at(10)] = bench.Range{Least: 80, Most: 200} // it holds 64
	s, d, _ := started(t, spec, 1)
	var told []cv.Register
	tell := func(row Probed) error { told = append(told, row.Register); return nil }
	_, err = Probe{Registers: span(9, 14, cv.Page{}), Found: tell}.Run(t.Context(), s)
	var stuck NotRestored
	if !errors.As(err, &stuck) || stuck.Old != 64 || stuck.Now.Value != 80 || d.Values()[at(10)] != 80 {
		t.Errorf("got %v; register 10 holds %d", err, d.Values()[at(10)])
	}
	if !slices.Equal(told, []cv.Register{at(9)}) {
		t.Errorf("told of %v, want 9 alone", told)
	}
}

// started puts a decoder on a track and starts a session.
func started(t testing.TB, spec bench.Spec, seed uint64) (*Session, *bench.Decoder, *bench.Bench) {
	t.Helper()
	d := spec.New(seed)
	b := bench.New(d)
	t.Cleanup(func() { b.Close() })
	s, err := Start(context.Background(), b, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	return s, d, b
}

func TestARegisterThatChangesByItselfIsNotWritten(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	spec.Changing = map[cv.Register]bool{at(60): true}
	s, _, _ := started(t, spec, 1)
	result, err := Probe{Registers: span(2, 60, cv.Page{})}.Run(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	row := result.Rows[len(result.Rows)-1]
	if row.Register != at(60) || !row.Changes || row.Done() || row.Writes != 0 || result.Changed != nil {
		t.Errorf("%+v, changed %+v", row, result.Changed)
	}
	if slices.Contains(s.recorder.(*memory).writes, at(60)) {
		t.Error("it was written")
	}
}

// busy is a decoder in which a write to one register changes another.
type busy struct {
	*bench.Bench
	from, to nmra.CV
}

func (b busy) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := b.Bench.Service(ctx, a)
	if err == nil && a.Operation == nmra.Write && a.CV == b.from {
		_, err = b.Bench.Service(ctx, nmra.Access{Mode: a.Mode, Operation: nmra.Write, CV: b.to, Value: 77})
	}
	return answer, err
}

func TestAWriteThatChangesAnotherRegisterIsSeen(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	for _, to := range []nmra.CV{4, 1} { // one that is probed before, one that is watched
		rec := new(memory)
		s, err := Start(t.Context(), busy{bench.New(spec.New(1)), 57, to}, DefaultBound, rec)
		if err != nil {
			t.Fatal(err)
		}
		result, err := Probe{Registers: append(span(2, 6, cv.Page{}), at(57))}.Run(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(result.Changed, func(r ResetRow) bool { return r.Register == at(to) && r.After.Value == 77 }) {
			t.Errorf("found %+v changed, want register %d", result.Changed, to)
		}
		if old := spec.Registers[at(to)]; rec.held[at(to)] != old {
			t.Errorf("kept %d of register %d, want %d", rec.held[at(to)], to, old)
		}
	}
}

func TestAProbeThatStopsAtAnyAccessIsUndone(t *testing.T) {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	volatile := []cv.Register{at(892), at(893), at(894), at(895)}
	registers := []cv.Register{at(3), at(28), at(30), paged(257, 17, 0)}
	step := campaign(23, 1)
	for stop, whole := 0, false; !whole; stop += step {
		d := spec.New(1)
		before := steady(d, volatile...)
		track := &cutTrack{bench.New(d), stop}
		rec := new(memory)
		s, err := Start(t.Context(), track, DefaultBound, rec)
		if err == nil {
			_, err = Probe{Registers: registers}.Run(t.Context(), s)
		}
		if whole = err == nil; !whole && !errors.Is(err, station.ErrStation) {
			t.Fatal(err)
		}
		undone(t, fmt.Sprintf("stopped after %d accesses", stop), track.Bench, d, before, volatile, rec, journal.Decoder{Maker: 13, Version: 34})
	}
}

// undone holds that what was kept puts the decoder back to what it was.
func undone(t *testing.T, when string, track *bench.Bench, d *bench.Decoder, before cv.Values, volatile []cv.Register, rec *memory,
	of journal.Decoder) {
	t.Helper()
	for r, v := range steady(d, volatile...) {
		if before[r] != v && rec.held[r] != before[r] {
			t.Fatalf("%s: register %v held %d, which was not kept", when, r, before[r])
		}
	}
	s, err := Start(t.Context(), track, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	p, err := Undo(t.Context(), s, journal.Record{Held: rec.held, Header: journal.Header{Decoder: of}})
	if err != nil {
		t.Fatal(err)
	}
	b, err := p.Apply(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, steady(d, volatile...)); diff != "" || !b.Good() {
		t.Fatalf("%s and undone: %v (-want +got)\n%s", when, states(b), diff)
	}
}

// stopTrack ends a context after so many accesses, as Ctrl-C does.
type stopTrack struct {
	*bench.Bench
	left int
	stop context.CancelFunc
}

func (c *stopTrack) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if c.left--; c.left == 0 {
		c.stop()
	}
	return c.Bench.Service(ctx, a)
}

func TestCtrlCPutsTheRegisterAtHandBack(t *testing.T) {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	volatile := []cv.Register{at(892), at(893), at(894), at(895)}
	step := campaign(23, 1)
	stopped := 0
	for left, whole := 1, false; !whole; left += step {
		d := spec.New(1)
		before := steady(d, volatile...)
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		s, err := Start(ctx, &stopTrack{bench.New(d), left, stop}, DefaultBound, new(memory))
		if err == nil {
			_, err = Probe{Registers: []cv.Register{at(3), at(28), paged(257, 17, 0)}}.Run(ctx, s)
		}
		if whole = err == nil; !whole && !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		if !whole {
			stopped++
		}
		if diff := cmp.Diff(before, steady(d, volatile...)); diff != "" {
			t.Fatalf("stopped after %d accesses: (-want +got)\n%s", left, diff)
		}
	}
	if stopped < 5 {
		t.Errorf("stopped %d times only", stopped)
	}
}

// invented gives a decoder random registers, bits and limits, whose old values can all be written back.
func invented(spec bench.Spec, random *rand.Rand) bench.Spec {
	spec.Registers, spec.Mask, spec.Clamp = maps.Clone(spec.Registers), map[cv.Register]uint8{}, map[cv.Register]bench.Range{}
	spec.ReadOnly, spec.Changing = map[cv.Register]bool{at(7): true, at(8): true}, nil
	for _, r := range span(112, 135, cv.Page{}) {
		old := uint8(random.IntN(256))
		of := rule{mask: 255, high: 255}
		kind := random.IntN(10)
		if kind < 2 {
			spec.ReadOnly[r] = true
		}
		if kind >= 4 && kind < 7 || kind == 9 {
			of.mask = uint8(random.IntN(256))
			spec.Mask[r] = of.mask
		}
		if kind >= 7 {
			a, b := uint8(random.IntN(256)), uint8(random.IntN(256))
			of.low, of.high = min(a, b), max(a, b)
			spec.Clamp[r] = bench.Range{Least: of.low, Most: of.high}
		}
		for of.after(old, old) != old {
			old = uint8(random.IntN(256))
		}
		spec.Registers[r] = old
	}
	return spec
}

func TestProofThatAProbeFindsNothingWrong(t *testing.T) {
	base, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	decoders := campaign(6, 400)
	var mu sync.Mutex
	registers, writes, most, blank, unproven, questions := 0, 0, 0, 0, 0, 0
	var work sync.WaitGroup
	next := make(chan int)
	for range 2 {
		work.Go(func() {
			for n := range next {
				random := rand.New(rand.NewPCG(uint64(n), 11))
				spec := invented(base, random)
				if n%2 == 1 { // as dirty as the track of railcar 12
					spec.Ack.Lost, spec.Ack.False, spec.Ack.Ragged = 0.10, 0.03, 0.3
				}
				d := spec.New(uint64(n))
				before := steady(d)
				s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
				var result ProbeResult
				if err == nil {
					result, err = Probe{Registers: span(112, 135, cv.Page{})}.Run(t.Context(), s)
				}
				var unread NotRead
				mu.Lock()
				switch {
				case errors.As(err, &unread), errors.Is(err, ErrSeveral):
					unproven++
				case err != nil:
					t.Errorf("decoder %d: %v", n, err)
				default:
					questions += s.Tally().Operations
				}
				if diff := cmp.Diff(before, steady(d)); diff != "" || result.Changed != nil {
					t.Errorf("decoder %d: %v (-before +after)\n%s", n, result.Changed, diff)
				}
				for _, row := range result.Rows {
					if expect(t, spec, before, row) {
						blank++
					}
					registers, writes, most = registers+1, writes+row.Writes, max(most, row.Writes)
				}
				mu.Unlock()
			}
		})
	}
	for n := range decoders {
		next <- n
	}
	close(next)
	work.Wait()
	t.Logf("%d decoders, every second on a track that loses 10 %% and makes up 3 %% of the acknowledgements: "+
		"%d registers probed; %d that change only after more writes; %.1f writes each, %d at most; %d decoders not proven; %d questions",
		decoders, registers, blank, float64(writes)/float64(registers), most, unproven, questions)
	if unproven > decoders/10 || blank > registers/100 {
		t.Errorf("too little was proven for the count to say anything")
	}
}
