package boardsim

import (
	"errors"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board"
	"fettle/station/board/firmware"
)

// adapted makes a board with decoders on its track, behind the adapter.
func adapted(t testing.TB, decoders ...*bench.Decoder) (*board.Board, *Board) {
	t.Helper()
	sim, err := New(firmware.Image, bench.NewTrack(decoders...))
	if err != nil {
		t.Fatal(err)
	}
	b, err := board.New(sim, "simulated")
	if err != nil {
		t.Fatal(errors.Join(err, sim.Close()))
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b, sim
}

// programming is adapted, with the programming track on.
func programming(t testing.TB, decoders ...*bench.Decoder) (*board.Board, *Board) {
	t.Helper()
	b, sim := adapted(t, decoders...)
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	return b, sim
}

func TestAVerifyCostsAtMostItsAirtimeAnd5Milliseconds(t *testing.T) {
	b, sim := programming(t, builtIn(t, "tram-3").New(1))
	for _, mode := range []nmra.Mode{nmra.Direct, nmra.Paged} {
		var most time.Duration
		for value := range uint8(8) { // register 3 holds 6
			for _, bit := range []bool{false, true} {
				a := nmra.Access{Mode: mode, CV: 3, Value: value}
				if bit && mode == nmra.Direct {
					a.Operation, a.Bit, a.BitValue, a.Value = nmra.VerifyBit, value, true, 0
				}
				sequence, err := a.Sequence()
				if err != nil {
					t.Fatal(err)
				}
				began := sim.Now()
				answer, err := b.Service(t.Context(), a)
				if err != nil {
					t.Fatal(err)
				}
				took := sim.Now() - began
				most = max(most, took-answer.Airtime)
				airtime := sequence.Airtime()
				if answer.Acknowledged {
					// One packet more, where the pulse is not of the nominal length.
					airtime = sequence.AirtimeAcknowledged() + sequence[0].Packet.Airtime(nmra.LongPreamble)
				}
				if answer.Airtime > airtime || took > airtime+5*time.Millisecond {
					t.Errorf("%v: %v on the track, %v in all; want %v on the track, and 5 ms more at most", a, answer.Airtime, took, airtime)
				}
			}
		}
		t.Logf("%v: the link costs %v at most", mode, most)
		// What the project asks of the board.
		if most > 5*time.Millisecond {
			t.Errorf("%v: the link costs %v, want 5 ms at most", mode, most)
		}
	}
}

func TestTheAdapterTellsWhyTheTrackIsOff(t *testing.T) {
	ask := nmra.Access{CV: 8, Value: 13}
	for _, c := range []struct {
		name    string
		disturb func(*Surroundings)
		right   func(error) bool
	}{
		{"overload", func(s *Surroundings) { s.Load = 300 }, func(err error) bool {
			var o station.Overload
			return errors.As(err, &o) && o.Current > 250 && o.Current < 400
		}},
		{"short", func(s *Surroundings) { s.Load = 1200 }, func(err error) bool {
			var o station.Overload
			return errors.As(err, &o) && o.Current > 1000
		}},
		{"hung", func(s *Surroundings) { s.Hang = HangMain }, func(err error) bool { return errors.Is(err, station.ErrLost) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, sim := programming(t, builtIn(t, "tram-3").New(1))
			if a, err := b.Service(t.Context(), ask); err != nil || !a.Acknowledged {
				t.Fatalf("%+v, %v; want an acknowledgement", a, err)
			}
			sim.At(sim.Now()+20*time.Millisecond, c.disturb)
			var err error
			for n := 0; n < 20 && err == nil; n++ {
				_, err = b.Service(t.Context(), ask)
			}
			t.Log(err)
			if !c.right(err) {
				t.Errorf("%v", err)
			}
		})
	}
	t.Run("silence", func(t *testing.T) {
		b, sim := programming(t, builtIn(t, "tram-3").New(1))
		if err := sim.Run(1500 * time.Millisecond); err != nil {
			t.Fatal(err)
		}
		_, err := b.Service(t.Context(), ask)
		t.Log(err)
		if !errors.Is(err, station.ErrLost) {
			t.Errorf("%v, want the board to be lost", err)
		}
	})
}

func TestADecoderThatDrawsTooMuchIsAnOverloadAfter100Milliseconds(t *testing.T) {
	b, sim := adapted(t, builtIn(t, "tram-3-short").New(1))
	_, err := b.PowerOn(t.Context())
	var o station.Overload
	if !errors.As(err, &o) || o.Current < 890 || o.Current > 910 {
		t.Fatalf("%v, want an overload of 900 mA", err)
	}
	switched := sim.Record().Switched
	if len(switched) != 2 || switched[1].On {
		t.Fatalf("%v, want it switched on and off once", switched)
	}
	// NMRA S-9.2.3 (July 2012), section D.
	took := switched[1].At - switched[0].At
	t.Logf("cut %v after it was turned on", took)
	if took < 99*time.Millisecond || took > 105*time.Millisecond {
		t.Errorf("cut %v after it was turned on, want 100 ms, and 5 ms more at most", took)
	}
}

func TestATrackWithoutSupplyCarriesNoCurrentAndNoAnswer(t *testing.T) {
	b, sim := programming(t, builtIn(t, "tram-3").New(1))
	ask := nmra.Access{CV: 8, Value: 13}
	sim.At(sim.Now(), func(s *Surroundings) { s.Supply = 0 })
	if a, err := b.Service(t.Context(), ask); err != nil || a.Acknowledged || a.Rest != 0 {
		t.Errorf("%+v, %v; want no answer and no current", a, err)
	}
	sim.At(sim.Now(), func(s *Surroundings) { s.Supply = 15 })
	if a, err := b.Service(t.Context(), ask); err != nil || !a.Acknowledged {
		t.Errorf("%+v, %v; want an answer again", a, err)
	}
}
