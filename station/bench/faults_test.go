package bench

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/station"
)

func TestPowerLostInTheMiddleOfAWriteErasesTheRegister(t *testing.T) {
	spec := plain()
	spec.Faults.PowerCutAtWrite = 3
	b, d := on(t, spec)
	write(t, b, 3, 1)
	write(t, b, 4, 2)
	_, err := b.Service(context.Background(), nmra.Access{Operation: nmra.Write, CV: 2, Value: 99})
	if !errors.Is(err, station.ErrStation) || b.track.powered {
		t.Fatalf("%v; want the track off and the station to have failed", err)
	}
	want := plain().Registers
	want[at(3)], want[at(4)], want[at(2)] = 1, 2, 255
	if diff := cmp.Diff(want, d.Values()); diff != "" {
		t.Errorf("(-want +held)\n%s", diff)
	}
	powerOn(t, b)
	for value := range uint8(5) {
		if !write(t, b, 2, value) {
			t.Errorf("write %d after the fault was not obeyed: it happens once", value)
		}
	}
}

func TestPowerLostErasesHoweverFastTheMemoryIs(t *testing.T) {
	for _, long := range []time.Duration{0, 100 * time.Microsecond, 50 * time.Millisecond} {
		spec := plain()
		spec.WriteTime, spec.Faults.PowerCutAtWrite = long, 1
		b, d := on(t, spec)
		_, err := b.Service(context.Background(), nmra.Access{Operation: nmra.Write, CV: 3, Value: 99})
		if got := d.Values()[at(3)]; !errors.Is(err, station.ErrStation) || got != 255 {
			t.Errorf("written in %v: %v, CV 3 holds %d, want 255", long, err, got)
		}
	}
}

func TestPowerTurnedOffInTheMiddleOfAWriteErasesTheRegister(t *testing.T) {
	spec := plain()
	spec.WriteTime = 500 * time.Millisecond // longer than any access
	b, d := on(t, spec)
	if write(t, b, 1, 99) {
		t.Error("acknowledged before the memory was updated")
	}
	if err := b.PowerOff(context.Background()); err != nil {
		t.Fatal(err)
	}
	want := plain().Registers
	want[at(1)] = 255
	if diff := cmp.Diff(want, d.Values()); diff != "" {
		t.Errorf("(-want +held)\n%s", diff)
	}
}

func TestPowerIsCutAtAGivenTimeOnce(t *testing.T) {
	spec := plain()
	spec.Faults.PowerCutAfter = 400 * time.Millisecond
	b, _ := on(t, spec)
	var err error
	for err == nil {
		_, err = b.Service(context.Background(), nmra.Access{CV: 3, Value: 1})
	}
	if late := b.Now() - spec.Faults.PowerCutAfter; !errors.Is(err, station.ErrStation) || late < 0 || late > 200*time.Microsecond {
		t.Errorf("%v, %v late", err, late)
	}
	powerOn(t, b)
	for range 20 {
		do(t, b, nmra.Access{CV: 3, Value: 1})
	}
}

func TestADecoderThatIsRemovedDrawsNothingAndAnswersNothing(t *testing.T) {
	spec := plain()
	spec.Faults.RemovedAfter = 400 * time.Millisecond
	b, d := on(t, spec)
	if !holds(t, b, 3, 12) {
		t.Fatal("no answer before it is removed")
	}
	for b.Now() < spec.Faults.RemovedAfter {
		do(t, b, nmra.Access{CV: 3, Value: 1})
	}
	if a := do(t, b, nmra.Access{CV: 3, Value: 12}); a.Acknowledged || a.Rest != 0 {
		t.Errorf("%+v, want no answer and no current", a)
	}
	powerCycle(t, b)
	if a := do(t, b, nmra.Access{CV: 3, Value: 12}); a.Acknowledged || a.Rest != 0 {
		t.Errorf("after a power cycle: %+v, want no answer and no current", a)
	}
	// Put back for the next command, which takes up what it kept.
	again := spec.New(1)
	again.kept = d.kept
	b = New(again)
	powerOn(t, b)
	for range 20 {
		if !holds(t, b, 3, 12) {
			t.Fatal("removed a second time")
		}
	}
}
