package board

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board/firmware/host/hosttest"
)

// The tests of this file hold the adapter and the real firmware together to what a station has to do, in the host build.

var hostBuild = sync.OnceValues(func() (string, error) {
	var err error
	if buildFolder, err = os.MkdirTemp("", "fettle-host"); err != nil {
		return "", err
	}
	return hosttest.Build("firmware", buildFolder)
})

var buildFolder string

func TestMain(m *testing.M) {
	code := m.Run()
	if buildFolder != "" {
		os.RemoveAll(buildFolder)
	}
	os.Exit(code)
}

// bridge notes what the firmware does.
type bridge struct {
	*hosttest.Board
	cable *hosttest.Cable
	acts  []act
}

// act is a packet, or a switching of the bridge.
type act struct {
	at       time.Duration // when it began
	switched bool
	on       bool
	preamble int
	packet   nmra.Packet
}

// hosted starts the firmware with decoders on its track.
func hosted(t testing.TB, decoders ...*bench.Decoder) *bridge {
	t.Helper()
	program, err := hostBuild()
	if err != nil {
		t.Fatal(err)
	}
	track := bench.NewTrack(decoders...)
	h, err := hosttest.Start(program, track)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(h.Close(), track.Close()); err != nil {
			t.Error(err)
		}
	})
	b := &bridge{Board: h, cable: &hosttest.Cable{Board: h, Left: -1}}
	h.Acts.Played = func(preamble int, p nmra.Packet) {
		b.acts = append(b.acts, act{at: h.Now(), preamble: preamble, packet: p})
	}
	h.Acts.Switched = func(on bool) { b.acts = append(b.acts, act{at: h.Now(), switched: true, on: on}) }
	return b
}

// decoder is a built-in one.
func decoder(t testing.TB, name string, change func(*bench.Spec)) *bench.Decoder {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(&spec)
	}
	return spec.New(1)
}

// programming is a board whose programming track is on, with a decoder on it.
func programming(t testing.TB, decoders ...*bench.Decoder) (*Board, *bridge) {
	t.Helper()
	h := hosted(t, decoders...)
	b, err := New(h.cable, "host build")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	return b, h
}

// packets are those since the n-th act.
func (h *bridge) packets(from int) (all []string) {
	for _, a := range h.acts[from:] {
		if !a.switched {
			all = append(all, a.packet.String())
		}
	}
	return all
}

const resetPacket = "00 00 00"

func TestOnTheHostBuildPowerOnPlaysAtLeast20PacketsFirst(t *testing.T) {
	b, h := programming(t, decoder(t, "tram-3", nil))
	if _, err := b.Service(t.Context(), verify); err != nil {
		t.Fatal(err)
	}
	packets := h.packets(0)
	n := slices.IndexFunc(packets, func(p string) bool { return p != resetPacket })
	// NMRA S-9.2.3 (July 2012), section D; and 3 resets that lead in, section E.
	if n < 23 {
		t.Errorf("%d resets before the first other packet", n)
	}
}

func TestOnTheHostBuildRestIsMeasured(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		decoders []*bench.Decoder
		want     station.Milliamps
	}{
		"nothing": {nil, 0},
		"one":     {[]*bench.Decoder{spec.New(1)}, spec.Rest.Current},
		"two":     {[]*bench.Decoder{spec.New(1), spec.New(2)}, 2 * spec.Rest.Current},
	} {
		h := hosted(t, c.decoders...)
		b, err := New(h.cable, "host build")
		if err != nil {
			t.Fatal(err)
		}
		draw, err := b.PowerOn(t.Context())
		// One count of the converter is 1.22 mA.
		if err != nil || draw.Rest < c.want-1.3 || draw.Rest > c.want+1.3 || draw.Unmeasured {
			t.Errorf("%s: %+v, %v, want about %v mA", name, draw, err, c.want)
		}
	}
}

func TestOnTheHostBuildPowerGoesOffWhateverTheContextSays(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	b, h := programming(t, decoder(t, "tram-3", nil))
	if err := b.PowerOff(ctx); err != nil || h.On() {
		t.Errorf("%v, on: %v", err, h.On())
	}
	off := h.Now()
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, a := range h.acts {
		if a.switched && a.on && a.at > off && a.at-off < unpowered {
			t.Errorf("without power for %v", a.at-off)
		}
	}
	if err := b.Close(); err != nil || h.On() {
		t.Errorf("%v, on: %v", err, h.On())
	}
}

func TestOnTheHostBuildAnOverloadEndsWithThePowerOff(t *testing.T) {
	var overload station.Overload
	b, h := programming(t, decoder(t, "tram-3", nil))
	h.Load = 300
	began := h.Now()
	for {
		_, err := b.Service(t.Context(), verify)
		if errors.As(err, &overload) {
			break
		}
		if err != nil || h.Now() > began+time.Second {
			t.Fatal(err)
		}
	}
	// NMRA S-9.2.3 (July 2012), section D: more than 250 mA for longer than 100 ms.
	last := h.acts[len(h.acts)-1]
	if on := last.at - began; !last.switched || last.on || on < 100*time.Millisecond || on > 120*time.Millisecond {
		t.Errorf("%+v: cut %v after it began", last, on)
	}
	if overload.Current < 305 || overload.Current > 310 {
		t.Errorf("%v", overload)
	}
	// It stays off.
	_, err := b.Service(t.Context(), verify)
	if err := h.Run(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	if !errors.Is(err, station.ErrStation) || h.On() || h.acts[len(h.acts)-1] != last {
		t.Errorf("then %v, on: %v", err, h.On())
	}
	// When the power comes on, too.
	h.Load = 260
	if _, err := b.PowerOn(t.Context()); !errors.As(err, &overload) || h.On() {
		t.Errorf("%v, on: %v", err, h.On())
	}
	h.Load = 0
	if _, err := b.PowerOn(t.Context()); err != nil || !h.On() {
		t.Errorf("%v, on: %v", err, h.On())
	}
	if err := b.Send(t.Context(), idle, 1); err != nil {
		t.Fatal(err)
	}
	h.Load = 1200
	err = b.Send(t.Context(), idle, 20)
	if !errors.As(err, new(runningOverload)) || h.On() {
		t.Errorf("a short on the running track: %v, on: %v", err, h.On())
	}
}

// hostAccesses are some of each mode.
func hostAccesses() (all []nmra.Access) {
	for _, mode := range nmra.Modes {
		for _, operation := range []nmra.Operation{nmra.Verify, nmra.Write, nmra.VerifyBit, nmra.WriteBit} {
			for _, value := range []uint8{3, 99} {
				for _, lead := range []nmra.Lead{nmra.Entry, nmra.AfterReset, nmra.Onward} {
					a := nmra.Access{Mode: mode, Operation: operation, CV: 1, Value: value, Bit: 1, BitValue: true, Lead: lead}
					if _, err := a.Sequence(); err == nil {
						all = append(all, a)
					}
				}
			}
		}
	}
	return all
}

func TestOnTheHostBuildServiceSendsTheSequenceAndNothingBetween(t *testing.T) {
	b, h := programming(t) // nothing acknowledges
	for _, a := range hostAccesses() {
		from := len(h.acts)
		answer, err := b.Service(t.Context(), a)
		if err != nil {
			t.Fatal(a, err)
		}
		sequence, err := a.Sequence()
		if err != nil {
			t.Fatal(err)
		}
		var want []string
		for _, s := range sequence {
			for range s.Times {
				want = append(want, s.Packet.String())
			}
		}
		got := h.packets(from)
		for len(got) > len(want) && got[0] == resetPacket { // those that the board sends between trains
			got = got[1:]
		}
		if !slices.Equal(got, want) {
			t.Errorf("%v: on the track\n%q\nwant\n%q", a, got, want)
		}
		if answer.Acknowledged || answer.Airtime != sequence.Airtime() {
			t.Errorf("%v: %+v, want %v on the track", a, answer, sequence.Airtime())
		}
	}
	// NMRA S-9.2.3 (July 2012), section E: 20 ones at least before each packet; those that went out before are not in the act's count.
	ends := time.Duration(0)
	for _, a := range h.acts {
		if a.switched {
			ends = a.at
			continue
		}
		ones := a.at - ends + time.Duration(a.preamble)*nmra.BitTime(true)
		if ones < 20*nmra.BitTime(true) {
			t.Fatalf("%v with %v of ones before it", a.packet, ones)
		}
		ends = a.at + a.packet.Airtime(a.preamble)
	}
}

func TestOnTheHostBuildADecoderStaysInServiceModeBetweenAccesses(t *testing.T) {
	d := decoder(t, "tram-3", nil)
	b, h := programming(t, d)
	held := d.Values()
	for n, a := range []nmra.Access{
		{CV: 29}, {CV: 29, Lead: nmra.Onward}, {CV: 8, Lead: nmra.AfterReset}, {CV: 3, Lead: nmra.AfterReset}, {CV: 4, Lead: nmra.AfterReset},
	} {
		for r, v := range held {
			if r.CV == a.CV {
				a.Value = v
			}
		}
		if n == 0 {
			a.Value ^= 1 // not acknowledged, so that the next may go onward
		}
		answer, err := b.Service(t.Context(), a)
		if err != nil || answer.Acknowledged != (n > 0) {
			t.Errorf("%v: %+v, %v", a, answer, err)
		}
		if err := h.Run(time.Duration(n) * 7 * time.Millisecond); err != nil { // this program takes its time
			t.Fatal(err)
		}
	}
	// NMRA S-9.2.3 (July 2012), section E: 20 ms without a reset or service-mode packet end service mode.
	var before act
	for _, a := range h.acts {
		if before.packet != (nmra.Packet{}) && a.at+a.packet.Airtime(a.preamble)-before.at-before.packet.Airtime(before.preamble) >= 20*time.Millisecond {
			t.Errorf("%v between %v and %v", a.at-before.at, before.packet, a.packet)
		}
		before = a
	}
}

func TestOnTheHostBuildOnlyARealPulseInTheWindowIsAnAcknowledgement(t *testing.T) {
	for name, c := range map[string]struct {
		current station.Milliamps
		pulse   time.Duration
		want    bool
	}{
		// NMRA S-9.2.3 (July 2012), section C: 60 mA at least, for 6 ms and 1 ms more or less.
		"the least": {60, 5 * time.Millisecond, true}, "the most usual": {80, 6 * time.Millisecond, true},
		"too small": {30, 6 * time.Millisecond, false}, "too short": {80, 2 * time.Millisecond, false},
	} {
		b, _ := programming(t, decoder(t, "tram-3", func(s *bench.Spec) { s.Ack.Current, s.Ack.Time = c.current, c.pulse }))
		answer, err := b.Service(t.Context(), nmra.Access{Operation: nmra.Verify, CV: 8, Value: 13})
		if err != nil || answer.Acknowledged != c.want {
			t.Errorf("%s: %+v, %v", name, answer, err)
		}
		off := (answer.Pulse - c.pulse).Abs()
		if c.want && (answer.Height < c.current-2 || answer.Height > c.current+2 || off > 200*time.Microsecond) {
			t.Errorf("%s: %+v", name, answer)
		}
		if !c.want && (answer.Pulse != 0 || answer.Height != 0) {
			t.Errorf("%s: %+v, though it was none", name, answer)
		}
	}
}

func TestOnTheHostBuildACancelledAccessIsNotBegun(t *testing.T) {
	b, h := programming(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	from := len(h.acts)
	if _, err := b.Service(ctx, verify); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if err := h.Run(300 * time.Millisecond); err != nil {
		t.Fatal(err)
	}
	for _, p := range h.packets(from) {
		if p != resetPacket {
			t.Errorf("%s was sent", p)
		}
	}
}

func TestOnTheHostBuildSendRepeatsAPacketAndADecoderTakesIt(t *testing.T) {
	d := decoder(t, "tram-3", nil)
	b, h := programming(t, d)
	p, err := nmra.Instruction{Kind: nmra.MainWrite, Address: nmra.Address{Kind: nmra.Long, Number: 4203}, CV: 3, Value: 77}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Send(t.Context(), p, 2); err != nil {
		t.Fatal(err)
	}
	var first, second int
	for n, a := range h.acts {
		if a.packet == p {
			first, second = second, n
		}
	}
	if first == 0 || second != first+1 {
		t.Errorf("sent as acts %d and %d", first, second)
	}
	// NMRA S-9.2 (July 2004): 5 ms from the end of one to the start of the next.
	apart := h.acts[second].at + time.Duration(h.acts[second].preamble)*nmra.BitTime(true) - h.acts[first].at - p.Airtime(h.acts[first].preamble)
	if apart < 5*time.Millisecond {
		t.Errorf("%v apart", apart)
	}
	for r, v := range d.Values() {
		if r.CV == 3 && v != 77 {
			t.Errorf("register 3 holds %d", v)
		}
	}
}

func TestOnTheHostBuildAVerifyCostsItsAirtimeAndAtMost5ms(t *testing.T) {
	d := decoder(t, "tram-3", nil)
	b, h := programming(t, d)
	worst := map[nmra.Mode]time.Duration{}
	for _, mode := range []nmra.Mode{nmra.Direct, nmra.Paged} {
		for n := range 200 {
			began := h.Now()
			answer, err := b.Service(t.Context(), nmra.Access{Mode: mode, Operation: nmra.Verify, CV: nmra.CV(1 + n%20), Value: uint8(n)})
			if err != nil {
				t.Fatal(err)
			}
			worst[mode] = max(worst[mode], h.Now()-began-answer.Airtime)
		}
	}
	t.Logf("beside its airtime a verify takes at most %v in direct mode, %v in paged mode", worst[nmra.Direct], worst[nmra.Paged])
	for mode, w := range worst {
		// The host build's time goes in steps of up to 0.5 ms.
		if w > 5*time.Millisecond || w <= 0 {
			t.Errorf("%v: %v", mode, w)
		}
	}
}

func TestOnTheHostBuildSilenceTurnsTheTrackOff(t *testing.T) {
	b, h := programming(t)
	saw, err := run(t, b, "silence cut")
	verdict(t, "silence", saw, err, "it turned its track off by itself", "")
	if !h.On() {
		t.Error("it was not turned on again")
	}
	began := b.said
	if err := h.Run(2 * time.Second); err != nil {
		t.Fatal(err)
	}
	last := h.acts[len(h.acts)-1]
	if !last.switched || last.on || last.at-began > 1100*time.Millisecond || last.at-began < 900*time.Millisecond {
		t.Errorf("%+v, %v after the last frame", last, last.at-began)
	}
	if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrLost) {
		t.Error(err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

func TestOnTheHostBuildABoardThatStartsAnewIsLostWhereItsTrackWasOn(t *testing.T) {
	b, h := programming(t)
	if err := h.Restart(); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), "started anew") {
		t.Error(err)
	}
	if err := b.Close(); err != nil || h.On() {
		t.Errorf("%v, on: %v", err, h.On())
	}
	if b, err := New(h.cable, "host build"); err != nil {
		t.Error(err)
	} else if err := h.Restart(); err != nil { // with its track off
		t.Error(err)
	} else if _, err := b.PowerOn(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestOnTheHostBuildTheSupplyIsRead(t *testing.T) {
	h := hosted(t)
	b, err := New(h.cable, "host build")
	if err != nil {
		t.Fatal(err)
	}
	saw, err := run(t, b, "supply")
	verdict(t, "supply", saw, err, "15.0 V", "")
}
