package prog

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
	"fettle/station/bench"
)

func TestADecoderIsAskedAsFastAsItKeepsUpWith(t *testing.T) {
	for _, c := range []struct {
		needs  bench.Pace
		want   pace
		slower bool // than the standard allows
	}{
		// NMRA S-9.2.3 (July 2012), section E: verifies may follow each other; 5 packets each at least, of which two are enough.
		{bench.Pace{}, follow, false},
		{bench.Pace{Packets: 3}, follow, false},
		{bench.Pace{Packets: 4}, follow, false},
		// Its acknowledgement begins when the last of the packets is over, and S-9.2.3 has a station listen no longer.
		{bench.Pace{Packets: 5}, slow, true},
		{bench.Pace{Packets: 9}, slow, true},
		{bench.Pace{Resets: 1}, resetsBetween, true},
		{bench.Pace{Resets: 3}, resetsBetween, true},
		{bench.Pace{Resets: 4}, slow, true},
		{bench.Pace{Packets: 4, Resets: 3}, resetsBetween, true},
		{bench.Pace{Packets: 8, Resets: 6}, slow, true},
	} {
		for _, name := range []string{"tram-3", "railcar-12"} { // clean rails, and dirty ones
			t.Run(fmt.Sprintf("%s %+v", name, c.needs), func(t *testing.T) {
				spec, err := bench.BuiltIn(name)
				if err != nil {
					t.Fatal(err)
				}
				spec.Pace, spec.Changing = c.needs, nil
				d := spec.New(2)
				s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
				if err != nil {
					t.Fatal(err)
				}
				if s.pace != c.want {
					t.Errorf("asked with %v, want %v", s.pace, c.want)
				}
				if _, slower := s.Pace(); slower != c.slower {
					t.Errorf("slower than the standard allows: %v, want %v", slower, c.slower)
				}
				registers := d.Values().Registers()
				for n := range 40 {
					registers = append(registers, at(nmra.CV(600+n)))
				}
				readings, err := s.readAll(t.Context(), "reading", registers, nil, quick, nil)
				if err != nil {
					t.Fatal(err)
				}
				for r, got := range readings {
					v, there := d.Values()[r]
					if got.State != Absent && !there || got.State != Proven && there || got.Value != v {
						t.Errorf("register %v was read as %d (%v), want %d (there: %v)", r, got.Value, got.State, v, there)
					}
				}
				w, err := s.Write(t.Context(), cv.Register{CV: 3}, 77)
				if err != nil || w.After.State != Proven || w.After.Value != 77 {
					t.Errorf("written: %+v, %v; want 77", w.After, err)
				}
			})
		}
	}
}

// tiring is a decoder that keeps up for so many accesses, and needs more resets before each question from then on.
type tiring struct {
	station.ProgrammingTrack
	left  int
	leads []nmra.Lead // with which it does not answer any more
}

func (d *tiring) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := d.ProgrammingTrack.Service(ctx, a)
	if d.left--; d.left < 0 && slices.Contains(d.leads, a.Lead) {
		answer.Acknowledged = false
	}
	return answer, err
}

func TestProofThatADecoderThatDoesNotKeepUpAnyMoreIsReadAsItIs(t *testing.T) {
	for name, leads := range map[string][]nmra.Lead{
		"needs one reset":   {nmra.Onward},
		"needs more resets": {nmra.Onward, nmra.AfterReset},
	} {
		for after := 50; after < 2500; after += campaign(800, 50) {
			t.Run(fmt.Sprintf("%s after %d", name, after), func(t *testing.T) {
				of := surveyDecoders(t)[4]
				d := of.spec.New(1)
				s, err := Start(t.Context(), &tiring{bench.New(d), after, leads}, DefaultBound, nil)
				if err != nil {
					t.Fatal(err)
				}
				readings, err := s.readAll(t.Context(), "reading", everyRegister(), nil, quick, nil)
				if err != nil {
					t.Fatal(err)
				}
				if wrong, unsure := judge(d, readings); wrong > 0 || unsure > 0 {
					t.Errorf("%d wrong, %d unsure", wrong, unsure)
				}
				lost, _ := s.Noise()
				t.Logf("%v; %d questions, %v on the track; lost %.3f", s.pace, s.Tally().Operations, s.Tally().Airtime, lost)
			})
		}
	}
}
