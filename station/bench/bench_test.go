package bench

import (
	"context"
	"errors"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
)

func TestAnAccessWithoutAnswerTakesTheAirtimeOfItsSequence(t *testing.T) {
	for _, mode := range nmra.Modes {
		for _, op := range []nmra.Operation{nmra.Verify, nmra.Write} {
			b := New()
			powerOn(t, b)
			a := nmra.Access{Mode: mode, Operation: op, CV: 1, Value: 3}
			sequence, err := a.Sequence()
			if err != nil {
				t.Fatal(err)
			}
			began := b.Now()
			answer := do(t, b, a)
			if want := sequence.Airtime(); answer.Acknowledged || answer.Airtime != want || b.Now()-began != want {
				t.Errorf("%v: %+v in %v, want no answer in %v", a, answer, b.Now()-began, want)
			}
		}
	}
}

func TestAnAnswerCutsTheSequenceShort(t *testing.T) {
	b, _ := on(t, plain())
	yes, no := do(t, b, nmra.Access{CV: 3, Value: 12}), do(t, b, nmra.Access{CV: 3, Value: 13})
	if !yes.Acknowledged || no.Acknowledged || yes.Airtime >= no.Airtime {
		t.Errorf("answered in %v, not answered in %v; want the answer to be the shorter", yes.Airtime, no.Airtime)
	}
}

func TestTheTrackStartsUpWithAtLeast20Packets(t *testing.T) {
	b := New(plain().New(1))
	draw, err := b.PowerOn(context.Background())
	// NMRA S-9.2.3 (July 2012), section D.
	if least := 20 * reset.Airtime(nmra.LongPreamble); err != nil || draw.Airtime < least || draw.Rest != 8 {
		t.Errorf("%+v, %v; want 8 mA at rest after at least %v", draw, err, least)
	}
	if again, err := b.PowerOn(context.Background()); err != nil || again.Airtime != 0 || again.Rest != 8 {
		t.Errorf("turned on again: %+v, %v; want nothing to happen", again, err)
	}
	if err := b.PowerOff(context.Background()); err != nil {
		t.Fatal(err)
	}
	if again, err := b.PowerOn(context.Background()); err != nil || again.Airtime != draw.Airtime+unpowered {
		t.Errorf("after power-off: %+v, %v; want %v", again, err, draw.Airtime+unpowered)
	}
}

func TestNothingOnTheTrackDrawsNothing(t *testing.T) {
	b := New()
	draw, err := b.PowerOn(context.Background())
	if err != nil || draw.Rest != 0 {
		t.Errorf("%+v, %v; want no current", draw, err)
	}
	if a := do(t, b, nmra.Access{CV: 8, Value: 13}); a.Acknowledged || a.Rest != 0 {
		t.Errorf("%+v, want no answer and no current", a)
	}
}

func TestMoreThan250MilliampsForMoreThan100MillisecondsCutsThePower(t *testing.T) {
	for _, c := range []struct {
		rest, inrush station.Milliamps
		long         time.Duration
		overload     bool
	}{
		// NMRA S-9.2.3 (July 2012), section D.
		{8, 800, 99 * time.Millisecond, false},
		{8, 800, 102 * time.Millisecond, true},
		{8, 250, time.Second, false},
		{251, 251, 0, true},
	} {
		spec := plain()
		spec.Rest = Rest{Current: c.rest, Inrush: c.inrush, InrushTime: c.long}
		b := New(spec.New(1))
		_, err := b.PowerOn(context.Background())
		var overload station.Overload
		if got := errors.As(err, &overload); got != c.overload || got != (err != nil) || got == b.track.powered {
			t.Errorf("%v mA, %v mA for %v: %v, want an overload: %v", c.rest, c.inrush, c.long, err, c.overload)
		}
		if want := max(c.rest, c.inrush); c.overload && overload.Current != want {
			t.Errorf("overload of %v mA, want %v", overload.Current, want)
		}
	}
}

func TestAnOverloadIsTimedAnewAfterEachPowerOn(t *testing.T) {
	spec := plain()
	spec.Rest.Current = 900
	b := New(spec.New(1))
	first, err := b.PowerOn(context.Background())
	again, errAgain := b.PowerOn(context.Background())
	if err == nil || errAgain == nil || again.Airtime != first.Airtime+unpowered {
		t.Errorf("%v, %v; then %v, %v; want it to last as long", first.Airtime, err, again.Airtime, errAgain)
	}
}

func TestTwoDecodersAnswerTogether(t *testing.T) {
	tram, shunter := plain(), plain()
	shunter.Registers = cv.Values{at(1): 7, at(3): 5, at(7): 5, at(8): 13}
	shunter.Rest.Current, shunter.Ack.Current = 6, 70
	b := New(tram.New(1), shunter.New(1))
	draw, err := b.PowerOn(context.Background())
	if err != nil || draw.Rest != 14 {
		t.Errorf("%+v, %v; want 14 mA at rest", draw, err)
	}
	if a := do(t, b, nmra.Access{CV: 8, Value: 13}); !a.Acknowledged || a.Height != 150 || a.Rest != 14 {
		t.Errorf("both answer: %+v, want 150 mA above 14", a)
	}
	if a := do(t, b, nmra.Access{CV: 3, Value: 12}); !a.Acknowledged || a.Height != 80 {
		t.Errorf("one answers: %+v, want 80 mA", a)
	}
	if !holds(t, b, 3, 5) {
		t.Error("the other does not answer")
	}
	if got := b.Describe().Title; got != "harbour tram 3 and harbour tram 3" {
		t.Errorf("title %q", got)
	}
}

func TestACancelledAccessIsNotBegun(t *testing.T) {
	b, d := on(t, plain())
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	began := b.Now()
	_, err := b.Service(ctx, nmra.Access{Operation: nmra.Write, CV: 3, Value: 99})
	if !errors.Is(err, context.Canceled) || b.Now() != began || d.Values()[at(3)] != 12 {
		t.Errorf("%v, %v on the track, CV 3 holds %d; want it not begun", err, b.Now()-began, d.Values()[at(3)])
	}
	if err := b.PowerOff(ctx); err != nil || b.track.powered {
		t.Errorf("%v; want the track off, whatever the context", err)
	}
}

func TestATrackThatIsOffOrClosedSaysSo(t *testing.T) {
	b := New(plain().New(1))
	if _, err := b.Service(context.Background(), nmra.Access{CV: 8}); !errors.Is(err, station.ErrStation) {
		t.Errorf("off: %v, want the station to have failed", err)
	}
	if err := b.Send(context.Background(), idle, 1); !errors.Is(err, station.ErrStation) {
		t.Errorf("off: %v, want the station to have failed", err)
	}
	powerOn(t, b)
	bit := nmra.Access{Mode: nmra.Paged, Operation: nmra.VerifyBit, CV: 8}
	if _, err := b.Service(context.Background(), bit); !errors.Is(err, nmra.ErrNotInMode) {
		t.Errorf("a bit in paged mode: %v, want ErrNotInMode", err)
	}
	if err := b.Close(); err != nil || b.track.powered {
		t.Errorf("%v; want the track off", err)
	}
	if _, err := b.PowerOn(context.Background()); !errors.Is(err, station.ErrStation) {
		t.Errorf("closed: %v, want the station to have failed", err)
	}
}

func BenchmarkAccess(b *testing.B) {
	for _, c := range []struct {
		name   string
		access nmra.Access
	}{
		{"yes", nmra.Access{CV: 8, Value: 13}},
		{"no", nmra.Access{CV: 8, Value: 14}},
		{"write", nmra.Access{Operation: nmra.Write, CV: 3, Value: 14}},
		{"paged no", nmra.Access{Mode: nmra.Paged, CV: 8, Value: 14}},
	} {
		b.Run(c.name, func(b *testing.B) {
			track, _ := on(b, plain())
			b.ReportAllocs()
			for b.Loop() {
				do(b, track, c.access)
			}
		})
	}
}

func BenchmarkBit(b *testing.B) {
	track, _ := on(b, plain())
	p := packet(b, askMaker14)
	bits := 0
	for range p.Bits(nmra.LongPreamble) {
		bits++
	}
	for b.Loop() {
		if err := track.play(p, nmra.LongPreamble); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*bits), "ns/bit")
	b.ReportAllocs()
}
