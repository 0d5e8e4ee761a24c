package bench

import (
	"errors"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// playOn plays an access on a track bit by bit, and says how many pulses of more than 50 mA there were.
func playOn(t *testing.T, track *Track, now *time.Duration, a nmra.Access) (pulses int) {
	t.Helper()
	sequence, err := a.Sequence()
	if err != nil {
		t.Fatal(err)
	}
	high := false
	for _, step := range sequence {
		for range step.Times {
			for one := range step.Packet.Bits(nmra.LongPreamble) {
				*now += nmra.BitTime(one)
				track.Bit(one, *now)
				if above := track.Current(*now) > 50; above != high {
					if high = above; high {
						pulses++
					}
				}
			}
		}
	}
	return pulses
}

func TestATrackThatIsDrivenFromOutsideAnswersWithCurrent(t *testing.T) {
	d := plain().New(1)
	track := NewTrack(d)
	now := time.Second
	if got := playOn(t, track, &now, nmra.Access{CV: 8, Value: 13}); got != 0 || track.Current(now) != 0 {
		t.Errorf("off: %d pulses, %v mA; want nothing", got, track.Current(now))
	}
	track.Power(true, now)
	if got := playOn(t, track, &now, nmra.Access{CV: 8, Value: 13}); got != 1 || track.Current(now) != 8 {
		t.Errorf("a verify that is right: %d pulses, %v mA at rest; want 1, 8", got, track.Current(now))
	}
	if got := playOn(t, track, &now, nmra.Access{CV: 8, Value: 14}); got != 0 {
		t.Errorf("a verify that is wrong: %d pulses, want none", got)
	}
	if got := playOn(t, track, &now, nmra.Access{Operation: nmra.Write, CV: 3, Value: 99}); got != 1 || d.Values()[at(3)] != 99 {
		t.Errorf("a write: %d pulses, CV 3 holds %d; want 1, 99", got, d.Values()[at(3)])
	}
	track.Power(false, now)
	if track.Powered() || track.Current(now) != 0 {
		t.Errorf("turned off: %v mA, want none", track.Current(now))
	}
}

func TestATrackWhosePowerADecoderCutsStaysOffUntilItIsTurnedOn(t *testing.T) {
	spec := plain()
	spec.Faults.PowerCutAtWrite = 1
	track := NewTrack(spec.New(1))
	now := time.Duration(0)
	track.Power(true, now)
	playOn(t, track, &now, nmra.Access{Operation: nmra.Write, CV: 3, Value: 99})
	if track.Powered() || track.Current(now) != 0 {
		t.Errorf("%v mA, want the power cut in the write", track.Current(now))
	}
	track.Power(true, now)
	if got := playOn(t, track, &now, nmra.Access{CV: 3, Value: erased}); got != 1 {
		t.Errorf("%d pulses, want one: the register is erased", got)
	}
}

func TestAnOpenedTrackRemembersAndIsHeldUntilItIsClosed(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	now := time.Duration(0)
	open := func() *Track {
		t.Helper()
		track, err := OpenTrack("tram-3")
		if err != nil {
			t.Fatal(err)
		}
		track.Power(true, now)
		now += 50 * time.Millisecond // its inrush is over
		return track
	}
	track := open()
	if got := track.Title(); got != "harbour tram 3" {
		t.Errorf("title %q", got)
	}
	playOn(t, track, &now, nmra.Access{Operation: nmra.Write, CV: 3, Value: 99})
	if _, err := OpenTrack("shunter-7+tram-3"); !errors.Is(err, station.ErrStation) {
		t.Errorf("opened again: %v, want it to be in use", err)
	}
	if err := track.Close(); err != nil || track.Powered() {
		t.Errorf("%v, want it closed and off", err)
	}
	track = open()
	if got := playOn(t, track, &now, nmra.Access{CV: 3, Value: 99}); got != 1 {
		t.Errorf("%d pulses, want one: what was written is remembered", got)
	}
	if err := track.Close(); err != nil {
		t.Error(err)
	}
}

func TestTheCurrentIsSteadyAsLongAsTheTrackSaysWhateverBitsCome(t *testing.T) {
	spec := plain()
	spec.Rest = Rest{Current: 8, Inrush: 100, InrushTime: 20 * time.Millisecond}
	spec.Ack.Ragged = 0.3
	track := NewTrack(spec.New(1))
	now := time.Duration(0)
	track.Power(true, now)
	steps, far := 0, 0
	// The shortest bits come soonest. NMRA S-9.1 (2020): a decoder must accept halves of 52 and of 90 us.
	length := map[bool]time.Duration{true: 104 * time.Microsecond, false: 180 * time.Microsecond}
	for _, a := range []nmra.Access{{CV: 8, Value: 13}, {CV: 8, Value: 14}, {Operation: nmra.Write, CV: 3, Value: 99}, {CV: 3, Value: 99}} {
		sequence, err := a.Sequence()
		if err != nil {
			t.Fatal(err)
		}
		was, until := track.Current(now), track.SteadyUntil(now)
		for _, step := range sequence {
			for range step.Times {
				for one := range step.Packet.Bits(nmra.LongPreamble) {
					for end := now + length[one]; now < end; now += 4 * time.Microsecond {
						if now >= until {
							was, until = track.Current(now), track.SteadyUntil(now)
							if steps++; until > now+500*time.Microsecond {
								far++
							}
						} else if got := track.Current(now); got != was {
							t.Fatalf("%v mA at %v, where it had to be %v until %v", got, now, was, until)
						}
					}
					track.Bit(one, now)
				}
			}
		}
	}
	if far < steps/20 {
		t.Errorf("%d of %d times it was sure of more than 500 us; want it to be of use", far, steps)
	}
	t.Logf("%d of %d times it was sure of more than 500 us", far, steps)
}
