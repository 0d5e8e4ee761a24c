package board

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board/link"
)

// spoken is a train as it was said.
type spoken struct {
	preamble uint8
	steps    []step
}

func parseTrain(t *testing.T, f link.Frame) (s spoken) {
	t.Helper()
	payload := f.Payload()
	s.preamble = payload[0]
	for rest := payload[1:]; len(rest) > 0; {
		n := int(rest[0] & 7)
		if len(rest) < 3+n {
			t.Fatalf("a train of %X ends in the midst of a step", payload)
		}
		p, err := nmra.NewPacket(rest[3 : 3+n]...)
		if err != nil {
			t.Fatal(err)
		}
		s.steps = append(s.steps, step{p, int(rest[1]), int(rest[2]), rest[0] >> 3})
		rest = rest[3+n:]
	}
	return s
}

// trains are those that were said.
func (l *talk) trains(t *testing.T) (all []spoken) {
	for _, f := range l.heard {
		if f.Type == link.Train {
			all = append(all, parseTrain(t, f))
		}
	}
	return all
}

func TestPowerOnPlaysAtLeast20PacketsAndMeasuresRestInTheLast(t *testing.T) {
	b, l := opened(t, says(link.On, with(isProgramming)), says(link.Train, with(played)))
	draw, err := b.PowerOn(t.Context())
	if err != nil || draw.Rest != 8 || draw.Unmeasured || draw.Airtime == 0 {
		t.Errorf("%+v, %v", draw, err)
	}
	on := link.OnRequest{}
	for _, f := range l.heard {
		if f.Type == link.On {
			if err := f.Decode(&on); err != nil {
				t.Fatal(err)
			}
		}
	}
	// NMRA S-9.2.3 (July 2012), section D: more than 250 mA for longer than 100 ms is a fault. The threshold is our own choice, below the 60
	// mA and the 5 ms of section C.
	if want := (link.OnRequest{Track: link.TrackProgramming, LimitMA: 250, AllowedMS: 100, ThresholdMA: 40, EnoughUS: 3000}); on != want {
		t.Errorf("turned on by %+v, want %+v", on, want)
	}
	// NMRA S-9.2.3 (July 2012), section D: 20 packets at least; resets, with the 20 ones of a long preamble.
	reset, _ := nmra.NewPacket(0, 0, 0)
	want := []step{{reset, 19, 19, link.WindowDeaf}, {reset, 1, 1, link.WindowAtRest}}
	if got := l.trains(t)[0]; got.preamble != 20 || !slices.Equal(got.steps, want) {
		t.Errorf("it starts with %+v, want %+v", got, want)
	}
	heard := len(l.heard)
	if again, err := b.PowerOn(t.Context()); err != nil || again.Rest != 8 || len(l.heard) != heard {
		t.Errorf("a second time: %+v, %v, and %v was said", again, err, l.heard[heard:])
	}
}

func TestATrackThatWasOnIsLeftWithoutPowerForHalfASecond(t *testing.T) {
	b, l := live(t, says(link.Off, with(isOff)), says(link.On, with(isProgramming)), says(link.Train, with(played)))
	if err := b.PowerOff(t.Context()); err != nil {
		t.Fatal(err)
	}
	off := l.now
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	l.done()
	for n, f := range l.heard {
		if f.Type == link.On && l.at[n] > off && l.at[n]-off < unpowered {
			t.Errorf("turned on after %v", l.at[n]-off)
		}
		if f.Type == link.On && n > 4 {
			return
		}
	}
	t.Error("it was not turned on again")
}

// accesses is any access that has a sequence.
func accesses(t *rapid.T) nmra.Access {
	a := nmra.Access{
		Mode:      rapid.SampledFrom(nmra.Modes[:]).Draw(t, "mode"),
		Operation: nmra.Operation(rapid.IntRange(0, 3).Draw(t, "operation")),
		CV:        nmra.CV(rapid.OneOf(rapid.IntRange(1, 8), rapid.IntRange(1, 1024)).Draw(t, "cv")),
		Value:     rapid.Uint8().Draw(t, "value"),
		Bit:       uint8(rapid.IntRange(0, 7).Draw(t, "bit")),
		BitValue:  rapid.Bool().Draw(t, "bit value"),
		Lead:      nmra.Lead(rapid.IntRange(0, 2).Draw(t, "lead")),
		Pace:      nmra.Pace(rapid.IntRange(0, 1).Draw(t, "pace")),
	}
	if _, err := a.Sequence(); err != nil {
		t.Skip(err)
	}
	return a
}

func TestServiceSendsThePacketsOfItsSequenceWithLongPreambles(t *testing.T) {
	b, l := live(t)
	rapid.Check(t, func(r *rapid.T) {
		a := accesses(r)
		l.turns = []turn{says(link.Train, with(played))}
		l.heard, l.at = nil, nil
		if _, err := b.Service(t.Context(), a); err != nil {
			r.Fatal(err)
		}
		said := l.trains(t)
		if len(said) != 1 || said[0].preamble < 20 {
			r.Fatalf("%v: said %+v", a, said)
		}
		sequence, err := a.Sequence()
		if err != nil {
			r.Fatal(err)
		}
		asked := train{steps: said[0].steps}
		for n := range 60 { // an acknowledgement in each packet, and none in any that is not there
			if got, want := asked.played(n), playedOf(sequence, n); !slices.Equal(got, want) {
				r.Fatalf("%v, acknowledged in packet %d: on the track\n%v\nwant\n%v", a, n, got, want)
			}
		}
	})
}

// played are the packets on the track where one acknowledges in the n-th packet in which anybody listens.
func (t *train) played(n int) (all []string) {
	seen := false
	for _, s := range t.steps {
		for i := 0; i < s.times && (i < s.least || !seen); i++ {
			listened := s.window == link.WindowListening || s.window == link.WindowAfterSecond && i >= 2
			all = append(all, fmt.Sprint(s.packet, listened))
			seen = seen || listened && len(all)-1 == n
		}
	}
	return all
}

// playedOf is the same by the sequence.
func playedOf(sequence nmra.Sequence, n int) (all []string) {
	seen := false
	for _, s := range sequence {
		for i := 0; i < s.Times && (i < s.Least || !seen); i++ {
			listened := s.Window == nmra.Listening || s.Window == nmra.AfterSecond && i >= 2
			all = append(all, fmt.Sprint(s.Packet, listened))
			seen = seen || listened && len(all)-1 == n
		}
	}
	return all
}

func TestEqualStepsBesideEachOtherAreOneOnTheWire(t *testing.T) {
	b, l := live(t, says(link.Train, with(played)))
	if _, err := b.Service(t.Context(), nmra.Access{Mode: nmra.Paged, Operation: nmra.Verify, CV: 65, Value: 9}); err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2.3 (July 2012), section E: 3 resets, 5 writes to the page register, 6 and 3 resets, 5 verifies.
	got := l.trains(t)[1].steps
	if len(got) != 4 || got[2].times != 9 || got[2].least != 9 {
		t.Errorf("%+v", got)
	}
}

func TestMakingOneOfEqualStepsChangesNothingOnTheTrack(t *testing.T) {
	reset, _ := nmra.NewPacket(0, 0, 0)
	rapid.Check(t, func(r *rapid.T) {
		var asWritten, merged train
		for range rapid.IntRange(1, 6).Draw(r, "steps") {
			s := step{
				packet: rapid.SampledFrom([]nmra.Packet{reset, idle}).Draw(r, "packet"),
				times:  rapid.OneOf(rapid.IntRange(1, 6), rapid.IntRange(120, 255)).Draw(r, "times"),
				window: rapid.SampledFrom(windows[:]).Draw(r, "window"),
			}
			s.least = rapid.IntRange(1, s.times).Draw(r, "least")
			asWritten.steps = append(asWritten.steps, s)
			merged.add(s.packet, s.times, s.least, s.window)
		}
		for n := range 80 {
			if got, want := merged.played(n), asWritten.played(n); !slices.Equal(got, want) {
				r.Fatalf("acknowledged in packet %d: %d packets, want %d", n, len(got), len(want))
			}
		}
		for _, s := range merged.steps {
			if s.times > most || s.least > most {
				r.Fatalf("%+v can't be said in a byte", s)
			}
		}
	})
}

func TestWhatTheBoardHeardIsTheAnswer(t *testing.T) {
	yes := link.TrainAnswer{Flags: link.FlagWhole | link.FlagAcknowledged, RestTenths: 81, HeightTenths: 823, AboveMicros: 6100, AirtimeMicros: 54_321}
	no := yes
	no.Flags = link.FlagWhole
	b, l := live(t, says(link.Train, with(yes)), says(link.Train, with(no)))
	got, err := b.Service(t.Context(), verify)
	want := station.Answer{Acknowledged: true, Pulse: 6100 * time.Microsecond, Height: 82.3, Rest: 8.1, Airtime: 54_321 * time.Microsecond}
	if err != nil || got != want {
		t.Errorf("%+v, %v, want %+v", got, err, want)
	}
	got, err = b.Service(t.Context(), verify)
	if want := (station.Answer{Rest: 8.1, Airtime: want.Airtime}); err != nil || got != want {
		t.Errorf("%+v, %v, want %+v", got, err, want)
	}
	l.done()
}

func TestWhatTheModeHasNoPacketForIsNotSaid(t *testing.T) {
	b, l := live(t)
	heard := len(l.heard)
	_, err := b.Service(t.Context(), nmra.Access{Mode: nmra.Registers, Operation: nmra.Verify, CV: 65})
	if !errors.Is(err, nmra.ErrNotInMode) || len(l.heard) != heard {
		t.Errorf("%v, and %v was said", err, l.heard[heard:])
	}
}

func TestSendRepeatsAPacketWithNoOtherPacketBetween(t *testing.T) {
	b, l := live(t,
		says(link.Off, with(isOff)), says(link.On, with(isRunning)), says(link.Train, with(played)), // it becomes a running track
		says(link.Train, with(played)), says(link.Train, with(played)))
	p, err := nmra.Instruction{Kind: nmra.MainWrite, Address: nmra.Address{Kind: nmra.Short, Number: 3}, CV: 3, Value: 12}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := b.Send(t.Context(), p, 2); err != nil {
			t.Fatal(err)
		}
	}
	l.done()
	trains := l.trains(t)
	got := trains[len(trains)-1]
	if len(got.steps) != 2 || got.steps[0] != (step{p, 2, 2, link.WindowDeaf}) || got.steps[1].packet.String() != "FF 00 FF" {
		t.Fatalf("%+v", got)
	}
	// NMRA S-9.2 (July 2004): 5 ms from the end of a packet to the start of the next one to the same decoder; packet starts are at most 30 ms
	// apart.
	ones := time.Duration(got.preamble) * nmra.BitTime(true)
	if ones < 5*time.Millisecond || p.Airtime(int(got.preamble)) > 30*time.Millisecond {
		t.Errorf("packets are %v apart, from start to start %v", ones, p.Airtime(int(got.preamble)))
	}
	if idles := time.Duration(got.steps[1].times) * got.steps[1].packet.Airtime(int(got.preamble)); idles < settling {
		t.Errorf("idle packets for %v", idles)
	}
	for _, bad := range []struct {
		nmra.Packet
		times int
	}{{p, 0}, {p, 256}, {nmra.Packet{}, 1}} {
		heard := len(l.heard)
		if err := b.Send(t.Context(), bad.Packet, bad.times); err == nil || len(l.heard) != heard {
			t.Errorf("%v sent %d times: %v, and %v was said", bad.Packet, bad.times, err, l.heard[heard:])
		}
	}
}

func TestTheTrackIsTheOneThatIsAskedForWithPowerOffBetween(t *testing.T) {
	b, l := live(t,
		says(link.Off, with(isOff)), says(link.On, with(isRunning)), says(link.Train, with(played)), says(link.Train, with(played)),
		says(link.Off, with(isOff)), says(link.On, with(isProgramming)), says(link.Train, with(played)), says(link.Train, with(played)))
	if err := b.Send(t.Context(), idle, 1); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Service(t.Context(), verify); err != nil {
		t.Fatal(err)
	}
	l.done()
	var off time.Duration
	var limits []uint16
	for n, f := range l.heard {
		switch f.Type {
		case link.Off:
			off = l.at[n]
		case link.On:
			var on link.OnRequest
			if err := f.Decode(&on); err != nil {
				t.Fatal(err)
			}
			limits = append(limits, on.LimitMA)
			if off > 0 && l.at[n]-off < unpowered {
				t.Errorf("without power for %v", l.at[n]-off)
			}
		}
	}
	if !slices.Equal(limits, []uint16{250, 900, 250}) {
		t.Errorf("limits %v", limits)
	}
}

func TestAnOverloadIsTakenFromTheBoardAndNotTriedAgain(t *testing.T) {
	for _, cause := range []uint8{link.CauseOverload, link.CauseShort} {
		b, l := live(t, says(link.Train, with(notWhole)), says(link.State, with(isCut(cause, 3104))))
		_, err := b.Service(t.Context(), verify)
		var overload station.Overload
		if !errors.As(err, &overload) || overload.Current != 310.4 {
			t.Fatalf("cause %d: %v", cause, err)
		}
		l.done()
		if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "off") {
			t.Errorf("then %v", err)
		}
		if n := l.count(link.On); n != 1 {
			t.Errorf("turned on %d times", n)
		}
		// Somebody may, when it has been seen to.
		l.turns = []turn{says(link.On, with(isProgramming)), says(link.Train, with(played))}
		if _, err := b.PowerOn(t.Context()); err != nil {
			t.Error(err)
		}
		l.done()
	}
	b, l := opened(t, says(link.On, with(isProgramming)), says(link.Train, with(notWhole)), says(link.State, with(isCut(link.CauseOverload, 2600))))
	if _, err := b.PowerOn(t.Context()); !errors.As(err, new(station.Overload)) {
		t.Errorf("when the power comes on: %v", err)
	}
	l.done()
}

func TestACutBetweenTwoAccessesIsToldByTheNextOne(t *testing.T) {
	service := func(b *Board) error { _, err := b.Service(t.Context(), verify); return err }
	on := func(b *Board) error { _, err := b.PowerOn(t.Context()); return err }
	gate := func(b *Board) error { _, err := b.Gate(t.Context()); return err }
	for name, do := range map[string]func(*Board) error{"service": service, "power on": on, "gate": gate} {
		b, l := live(t, says(link.State, with(isCut(link.CauseShort, 12000))))
		l.say(link.Cut, 9, link.CutEvent{Cause: link.CauseShort, HighestTenths: 12000})
		var overload station.Overload
		if err := do(b); !errors.As(err, &overload) || overload.Current != 1200 {
			t.Errorf("%s: %v", name, err)
		}
		l.done()
		if l.count(link.Cut|link.AnswerBit) != 1 || l.count(link.On) != 1 {
			t.Errorf("%s: the cut was answered %d times, the track turned on %d times", name, l.count(link.Cut|link.AnswerBit), l.count(link.On))
		}
	}
	// One that comes again, or late, cuts nothing that is on.
	b, l := live(t, says(link.State, with(isProgramming)), says(link.Train, with(played)),
		says(link.State, with(isProgramming)), says(link.Train, with(played)))
	for range 2 {
		l.say(link.Cut, 9, link.CutEvent{Cause: link.CauseShort})
		if err := service(b); err != nil {
			t.Error(err)
		}
	}
	l.done()
}

func TestACutForSilenceSaysWhatMayHaveBeenWrong(t *testing.T) {
	b, l := live(t, says(link.Train, refuses(link.ReasonTrackOff, 42)), says(link.State, with(isCut(link.CauseSilence, 0))))
	_, err := b.Service(t.Context(), verify)
	if !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), "asleep") {
		t.Error(err)
	}
	l.done()
}

func TestAnOverloadOfTheRunningTrackNamesItsOwnLimit(t *testing.T) {
	b, l := live(t, says(link.Off, with(isOff)), says(link.On, with(isRunning)), says(link.Train, with(played)),
		says(link.Train, with(notWhole)), says(link.State, with(isCut(link.CauseOverload, 9500))))
	err := b.Send(t.Context(), idle, 3)
	if !errors.As(err, new(station.Overload)) || !strings.Contains(err.Error(), "950 mA on the running track, at most 900 mA") {
		t.Error(err)
	}
	l.done()
}

func TestWhileTheTrackIsOnASignOfLifeIsGivenInTime(t *testing.T) {
	b, l := live(t, says(link.Train), says(link.Train, with(played)))
	a := nmra.Access{Mode: nmra.Paged, Operation: nmra.Write, CV: 65, Value: 9, Pace: nmra.Slow} // about half a second
	if _, err := b.Service(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	l.done()
	signs, on := 0, false
	for n := range l.at[1:] {
		if on = on || l.heard[n].Type == link.On; !on {
			continue
		}
		if apart := l.at[n+1] - l.at[n]; apart > 300*time.Millisecond {
			t.Errorf("%v between %v and %v", apart, l.heard[n], l.heard[n+1])
		}
		if l.heard[n].Type == link.State {
			signs++
		}
	}
	if signs < 2 {
		t.Errorf("%d signs", signs)
	}
	// None where the track is off.
	b, l = opened(t)
	heard := len(l.heard)
	b.mu.Lock()
	err := b.wait(5 * time.Second)
	b.mu.Unlock()
	if err != nil || len(l.heard) != heard {
		t.Errorf("%v, and %v was said", err, l.heard[heard:])
	}
}

func TestEveryAccessFitsATrain(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		a := accesses(r)
		sequence, err := a.Sequence()
		if err != nil {
			r.Fatal(err)
		}
		tr := train{preamble: nmra.LongPreamble}
		for _, s := range sequence {
			tr.add(s.Packet, s.Times, s.Least, windows[s.Window])
		}
		f := link.NewFrame(link.Train, 1, tr.parts()...)
		if n := len(f.Payload()); n > leastTrain {
			r.Errorf("%v: a payload of %d bytes", a, n)
		}
		// 10 bits a byte; together with the answer at most 5 ms on the line, our own bound.
		bytes := len(f.Append(nil)) + len(link.NewFrame(link.Train|link.AnswerBit, 1, link.TrainAnswer{}).Append(nil))
		if a.Operation == nmra.Verify && time.Duration(bytes)*10*time.Second/link.Baud > 5*time.Millisecond {
			r.Errorf("%v: %d bytes", a, bytes)
		}
	})
}
