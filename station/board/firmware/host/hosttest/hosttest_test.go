package hosttest

import (
	"errors"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station/bench"
	"fettle/station/board/link"
)

// started is a board with a decoder on its track, and its cable.
func started(t *testing.T) (*Board, *Cable) {
	t.Helper()
	program, err := Build("../..", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	track := bench.NewTrack(spec.New(1))
	b, err := Start(program, track)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(b.Close(), track.Close()); err != nil {
			t.Error(err)
		}
	})
	return b, &Cable{Board: b, Left: -1}
}

// hear reads the frames that come within a time.
func hear(t *testing.T, c *Cable, within time.Duration) (all []link.Frame) {
	t.Helper()
	var r link.Reader
	for until := c.Now() + within; c.Now() < until; {
		var b [64]byte
		n, err := c.Read(b[:], until-c.Now())
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range b[:n] {
			if f, ok := r.Take(x); ok {
				all = append(all, f)
			}
		}
	}
	return all
}

func TestTheFirmwareTurnsItsTrackOnAndPlaysATrain(t *testing.T) {
	b, c := started(t)
	var played []string
	var switched []bool
	b.Acts.Played = func(_ int, p nmra.Packet) { played = append(played, p.String()) }
	b.Acts.Switched = func(on bool) { switched = append(switched, on) }
	say := func(f link.Frame) {
		if _, err := c.Write(f.Append(nil)); err != nil {
			t.Fatal(err)
		}
	}
	say(link.NewFrame(link.On, 0, link.OnRequest{Track: link.TrackProgramming, LimitMA: 250, AllowedMS: 100, ThresholdMA: 40, EnoughUS: 3000}))
	say(link.NewFrame(link.Train, 1, link.TrainRequest{Preamble: 20},
		link.StepHead{Head: 3 | link.WindowDeaf<<3, Times: 20, Least: 20}, []byte{0, 0, 0},
		link.StepHead{Head: 4 | link.WindowAfterSecond<<3, Times: 5, Least: 2}, []byte{0x74, 7, 13, 0x74 ^ 7 ^ 13})) // is CV 8 equal to 13?
	heard := hear(t, c, 500*time.Millisecond)
	var answer link.TrainAnswer
	for _, f := range heard {
		if f.Type == link.Train|link.AnswerBit {
			if err := f.Decode(&answer); err != nil {
				t.Fatal(err)
			}
		}
	}
	// NMRA S-9.2.3 (July 2012), section C: an acknowledgement is 60 mA more, for 6 ms and 1 ms more or less.
	if answer.Flags != link.FlagWhole|link.FlagAcknowledged || answer.HeightTenths < 600 || answer.AboveMicros < 4500 || answer.AboveMicros > 7500 {
		t.Errorf("%v: the answer to the train %+v", heard, answer)
	}
	asked := "74 07 0D 7E"
	if n := slices.Index(played, asked); n < 20 || !slices.Equal(switched[:1], []bool{true}) {
		t.Errorf("switched %v, played %v", switched, played)
	}
	say(link.NewFrame(link.Off, 9))
	hear(t, c, 50*time.Millisecond)
	if b.On() {
		t.Error("the track is on still")
	}
}

func TestACableThatIsPulledOutLetsSoManyBytesThrough(t *testing.T) {
	b, _ := started(t)
	c := &Cable{Board: b, Left: 4}
	hello := link.NewFrame(link.Hello, 0).Append(nil)
	if n, err := c.Write(hello); n != 4 || !errors.Is(err, ErrPulled) {
		t.Errorf("%d, %v", n, err)
	}
	if n, err := c.Read(make([]byte, 9), time.Second); n != 0 || !errors.Is(err, ErrPulled) {
		t.Errorf("%d, %v", n, err)
	}
}
