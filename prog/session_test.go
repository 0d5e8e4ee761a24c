package prog

import (
	"context"
	"errors"
	"maps"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/station"
	"fettle/station/bench"

	"github.com/google/go-cmp/cmp"
)

// memory is a Recorder for tests: it keeps the order of what it was given.
type memory struct {
	held, wanted cv.Values
	writes       []cv.Register
	values       []uint8 // that were written
}

func (m *memory) Held(values cv.Values) error {
	if m.held == nil {
		m.held = cv.Values{}
	}
	for r, v := range values {
		if _, known := m.held[r]; !known {
			m.held[r] = v
		}
	}
	return nil
}

func (m *memory) Wanted(values cv.Values) error { m.wanted = values; return nil }

func (m *memory) Writing(r cv.Register, value uint8) error {
	if _, known := m.held[r]; !known {
		return errors.New("writing to a register whose old value was not kept")
	}
	m.writes, m.values = append(m.writes, r), append(m.values, value)
	return nil
}

// onBench puts a built-in decoder on a track and starts a session.
func onBench(t testing.TB, name string, seed uint64) (*Session, *bench.Decoder, *bench.Bench) {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	d := spec.New(seed)
	b := bench.New(d)
	t.Cleanup(func() { b.Close() })
	s, err := Start(context.Background(), b, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(name, err)
	}
	return s, d, b
}

func TestEveryRegisterOfEveryDecoderIsReadAsItIs(t *testing.T) {
	for _, name := range bench.Names() {
		if name == "tram-3-short" {
			continue // draws too much to be read
		}
		s, d, _ := onBench(t, name, 1)
		counter := cv.Register{CV: 892} // changes by itself (S-9.2.2, volatile registers)
		truth := d.Values()
		delete(truth, counter)
		registers := truth.Registers()
		if s.Mode() == nmra.Direct {
			registers = append(registers, cv.Register{CV: 700}, cv.Register{CV: 1024})
		}
		for _, r := range registers {
			got, err := s.Read(t.Context(), r)
			if err != nil {
				t.Fatal(name, r, err)
			}
			want, there := truth[r]
			if there && (got.State != Proven || got.Value != want) || !there && got.State != Absent {
				t.Errorf("%s: register %v was read as %d (%v), want %d (there: %v)", name, r, got.Value, got.State, want, there)
			}
		}
		if err := s.Restore(t.Context()); err != nil {
			t.Error(name, err)
		}
		if diff := cmp.Diff(truth, steady(d, counter)); diff != "" {
			t.Errorf("%s: reading changed the decoder (-before +after)\n%s", name, diff)
		}
		lost, spurious := s.Noise()
		t.Logf("%s: %v: %d registers, %d questions, %v on the track; noise %.3f %.3f", name, s.Mode(), len(registers), s.Tally().Operations, s.Tally().Airtime, lost, spurious)
	}
}

func TestADecoderWithoutAPageRegisterIsNotReadInPagedMode(t *testing.T) {
	for _, c := range []struct {
		three, four uint8
		modes       []nmra.Mode
		want        nmra.Mode
	}{
		// NMRA S-9.2.3 (July 2012), section E: both modes have the same packets, but for the choice of the page.
		{3, 2, []nmra.Mode{nmra.Registers, nmra.AddressOnly}, nmra.Registers},
		{5, 13, []nmra.Mode{nmra.Registers, nmra.AddressOnly}, nmra.Registers},
		{3, 2, []nmra.Mode{nmra.Paged, nmra.Registers}, nmra.Paged},
		{3, 13, []nmra.Mode{nmra.Paged, nmra.Registers}, nmra.Paged}, // 4 happens to hold what 8 does
	} {
		spec, err := bench.BuiltIn("shunter-7")
		if err != nil {
			t.Fatal(err)
		}
		spec.Modes, spec.Registers = c.modes, maps.Clone(spec.Registers)
		spec.Registers[at(3)], spec.Registers[at(4)] = c.three, c.four
		s, err := Start(t.Context(), bench.New(spec.New(1)), DefaultBound, nil)
		if err != nil {
			t.Fatal(err)
		}
		if s.Mode() != c.want {
			t.Errorf("%v: read in %v mode, want %v", c.modes, s.Mode(), c.want)
		}
		for _, n := range []nmra.CV{1, 2, 3, 4, 7, 8, 29} {
			got, err := s.Read(t.Context(), at(n))
			if err != nil || got.State != Proven || got.Value != spec.Registers[at(n)] {
				t.Errorf("%v: register %d was read as %d (%v, %v), want %d", c.modes, n, got.Value, got.State, err, spec.Registers[at(n)])
			}
		}
	}
}

// steady is what a decoder holds, without registers that change by themselves.
func steady(d *bench.Decoder, but ...cv.Register) cv.Values {
	v := d.Values()
	for _, r := range but {
		delete(v, r)
	}
	return v
}

func TestADecoderThatIsTakenOffIsNotTakenForOneWithoutRegisters(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	gone := 0
	for after := 100 * time.Millisecond; ; after += 510 * time.Millisecond {
		spec.Faults = bench.Faults{RemovedAfter: after}
		track := bench.New(spec.New(1))
		err := func() error {
			s, err := Start(t.Context(), track, DefaultBound, new(memory))
			if err != nil {
				return err
			}
			p, err := s.plan(t.Context(), "test", journal.Decoder{}, cv.Values{at(3): 99, at(4): 98, at(200): 1}, nil)
			if err != nil {
				return err
			}
			b, err := p.Apply(t.Context(), s)
			if b.Count(NoRegister) != 1 && err == nil {
				t.Fatalf("taken off after %v: %v, want register 200 absent and no other", after, states(b))
			}
			return err
		}()
		switch {
		case err == nil && gone < 5:
			t.Fatalf("seen to be gone %d times only", gone)
		case err == nil:
			return
		case errors.Is(err, ErrGone):
			gone++
		case !errors.Is(err, ErrNothing) && !errors.Is(err, ErrSilent):
			t.Fatalf("taken off after %v: %v", after, err)
		}
	}
}

// mute is a track on which what draws current acknowledges nothing.
type mute struct{ *bench.Bench }

func (m mute) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := m.Bench.Service(ctx, a)
	answer.Acknowledged = false
	return answer, err
}

func TestWhatDrawsCurrentAndAnswersInNoModeIsSaid(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Start(t.Context(), mute{bench.New(spec.New(1))}, DefaultBound, nil); !errors.Is(err, ErrSilent) {
		t.Errorf("got %v, want %v", err, ErrSilent)
	}
}

func TestASecondDecoderIsSeenBeforeAnythingIsWritten(t *testing.T) {
	for _, other := range []string{"engine-21", "shunter-7"} { // the second has no direct mode
		var decoders []*bench.Decoder
		for _, name := range []string{"tram-3", other} {
			spec, err := bench.BuiltIn(name)
			if err != nil {
				t.Fatal(err)
			}
			decoders = append(decoders, spec.New(1))
		}
		rec := new(memory)
		s, err := Start(t.Context(), bench.New(decoders...), DefaultBound, rec)
		if err == nil {
			_, err = s.Write(t.Context(), at(3), 99)
		}
		if !errors.Is(err, ErrSeveral) || rec.writes != nil {
			t.Errorf("tram-3 and %s: got %v, wrote %v; want %v", other, err, rec.writes, ErrSeveral)
		}
	}
}

// listener is a track that keeps what was last done on it.
type listener struct {
	*bench.Bench
	last nmra.Access
}

func (l *listener) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	l.last = a
	return l.Bench.Service(ctx, a)
}

func TestThePageRegisterIsLeftAtOne(t *testing.T) {
	spec, err := bench.BuiltIn("shunter-7")
	if err != nil {
		t.Fatal(err)
	}
	track := &listener{Bench: bench.New(spec.New(1))}
	s, err := Start(t.Context(), track, DefaultBound, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Read(t.Context(), at(29)); err != nil {
		t.Fatal(err)
	}
	if err := s.Restore(t.Context()); err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2.3 (July 2012), section E: the page register is to be 1 when all is done.
	if _, page, _ := track.last.Mode.Register(track.last.CV); page != 1 {
		t.Errorf("the last access was %v, which leaves the page register at %d", track.last, page)
	}
}

func TestARegisterThatChangesByItselfIsNoSecondDecoder(t *testing.T) {
	s, _, _ := onBench(t, "tram-3", 1)
	for range 20 {
		got, err := s.Read(t.Context(), at(892))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.PowerCycle(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := s.Alone(t.Context(), got); err != nil {
			t.Fatal(err)
		}
	}
}
