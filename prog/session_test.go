package prog

import (
	"context"
	"errors"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station/bench"

	"github.com/google/go-cmp/cmp"
)

// memory is a Recorder for tests: it keeps the order of what it was given.
type memory struct {
	held, wanted cv.Values
	writes       []cv.Register
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

func (m *memory) Writing(r cv.Register, _ uint8) error {
	if _, known := m.held[r]; !known {
		return errors.New("writing to a register whose old value was not kept")
	}
	m.writes = append(m.writes, r)
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

// steady is what a decoder holds, without registers that change by themselves.
func steady(d *bench.Decoder, but ...cv.Register) cv.Values {
	v := d.Values()
	for _, r := range but {
		delete(v, r)
	}
	return v
}
