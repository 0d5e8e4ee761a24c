package text

import (
	"context"
	"errors"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// wire is a line on a virtual clock, which runs while somebody waits, to a station that is a function.
type wire struct {
	answers func(sent string) string // to each that is written; nil: none
	flood   string                   // comes in without end
	cut     int                      // after so many bytes that came in the cable is out; 0: never
	spell   time.Duration            // before each answer

	now    time.Duration
	due    time.Duration
	in     []byte
	read   int
	writes []string
	closed int
}

var errCableOut = errors.New("input/output error")

func (w *wire) out() bool { return w.cut > 0 && w.read >= w.cut }

func (w *wire) Write(b []byte) (int, error) {
	if w.out() {
		return 0, errCableOut
	}
	w.writes = append(w.writes, string(b))
	if w.answers != nil {
		w.in = append(w.in, w.answers(string(b))...)
		w.due = w.now + w.spell
	}
	return len(b), nil
}

func (w *wire) Read(b []byte, wait time.Duration) (int, error) {
	if w.out() {
		return 0, errCableOut
	}
	n := 0
	switch {
	case w.flood != "":
		n = copy(b, w.flood)
	case len(w.in) > 0 && w.due <= w.now+wait:
		w.now = max(w.now, w.due)
		n = copy(b, w.in)
		w.in = w.in[n:]
	default:
		w.now += wait
	}
	if w.cut > 0 && w.read+n > w.cut {
		n = w.cut - w.read
	}
	w.read += n
	return n, nil
}

func (w *wire) Now() time.Duration { return w.now }
func (w *wire) Close() error       { w.closed++; return nil }

// useAll does everything that a station is able to.
func useAll(t *testing.T, s station.Station) (err error) {
	t.Helper()
	note := func(e error) {
		if e != nil && !errors.Is(e, station.ErrStation) && !errors.Is(e, nmra.ErrNotInMode) {
			t.Fatalf("%v: want an error of the station", e)
		}
		err = errors.Join(err, e)
	}
	ctx := context.Background()
	if track, ok := s.(station.ProgrammingTrack); ok {
		_, e := track.PowerOn(ctx)
		note(e)
		for _, mode := range nmra.Modes {
			for operation := nmra.Verify; operation <= nmra.WriteBit; operation++ {
				_, e := track.Service(ctx, nmra.Access{Mode: mode, Operation: operation, CV: 1, Value: 3, Bit: 1, BitValue: true})
				note(e)
			}
		}
		note(track.PowerOff(ctx))
	}
	if main, ok := s.(station.Main); ok {
		_, e := main.PowerOn(ctx)
		note(e)
		for _, i := range []nmra.Instruction{
			{Kind: nmra.Idle},
			{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Long, Number: 4203}, Step: 6, Steps: nmra.Steps28, Forward: true},
			{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: 3}, Step: 126, Steps: nmra.Steps128},
			{Kind: nmra.EmergencyStop, Steps: nmra.Steps128},
			{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Short, Number: 3}, Group: nmra.F21toF28, States: 0xA5},
		} {
			p, e := i.Encode()
			if e != nil {
				t.Fatal(e)
			}
			note(main.Send(ctx, p, 3))
		}
		note(main.PowerOff(ctx))
	}
	for _, c := range s.(station.Checker).Checks() {
		power := s.(station.Power)
		if c.Scene == station.PowerOff {
			note(power.PowerOff(ctx))
		} else {
			_, e := power.PowerOn(ctx)
			note(e)
		}
		_, e := c.Run(ctx)
		if errors.Is(e, station.ErrStation) {
			note(e)
		}
	}
	note(s.Close())
	return err
}
