package firmware_test

import (
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board/boardsim"
	"fettle/station/board/firmware"
	"fettle/station/board/firmware/host/hosttest"
	"fettle/station/board/link"
)

// line is a serial line on a virtual clock, which passes only in Read.
type line interface {
	Write(b []byte) (int, error)
	Read(b []byte, wait time.Duration) (int, error)
	Now() time.Duration
}

// host asks frame by frame, and does nothing by itself but to answer events.
type host struct {
	*testing.T
	line   line
	reader link.Reader
	said   []link.Frame // by the board, since the last time that anyone looked
	next   uint8
	silent bool // events are not answered
}

// run lets time pass.
func (h *host) run(long time.Duration) {
	h.Helper()
	for until := h.line.Now() + long; h.line.Now() < until; {
		var b [1]byte
		n, err := h.line.Read(b[:], until-h.line.Now())
		if err != nil {
			h.Fatal(err)
		}
		if n == 0 {
			continue
		}
		f, ok := h.reader.Take(b[0])
		if !ok {
			continue
		}
		h.said = append(h.said, f)
		if (f.Type == link.Gate || f.Type == link.Cut) && !h.silent {
			h.say(link.NewFrame(f.Type|link.AnswerBit, f.Number))
		}
	}
}

func (h *host) say(f link.Frame) {
	h.Helper()
	if _, err := h.line.Write(f.Append(nil)); err != nil {
		h.Fatal(err)
	}
}

// heard is what the board has said of a type since the last time.
func (h *host) heard(t link.Type) (found []link.Frame) {
	h.said = slices.DeleteFunc(h.said, func(f link.Frame) bool {
		if f.Type == t {
			found = append(found, f)
		}
		return f.Type == t
	})
	return found
}

// answer waits for the one answer to a request.
func (h *host) answer(request link.Frame) link.Frame {
	h.Helper()
	for range 500 {
		h.run(10 * time.Millisecond)
		found := append(h.heard(request.Type|link.AnswerBit), h.heard(link.Refused|link.AnswerBit)...)
		if len(found) == 1 && found[0].Number == request.Number {
			return found[0]
		}
		if len(found) > 0 {
			h.Fatalf("%v is answered by %v", request, found)
		}
	}
	h.Fatalf("%v is not answered", request)
	return link.Frame{}
}

// ask has the board do a request, and takes its answer.
func (h *host) ask(answer any, t link.Type, parts ...any) {
	h.Helper()
	number := uint8(77)
	if t == link.On || t == link.Train {
		number = h.next
		h.next++
	}
	request := link.NewFrame(t, number, parts...)
	h.say(request)
	if f := h.answer(request); f.Type != t|link.AnswerBit {
		h.Fatalf("%v is answered by %v", request, f)
	} else if err := f.Decode(answer); err != nil {
		h.Fatalf("%v is answered by %v: %v", request, f, err)
	}
}

var (
	programming = link.OnRequest{Track: link.TrackProgramming, LimitMA: 250, AllowedMS: 100, ThresholdMA: 40, EnoughUS: 3000}
	running     = link.OnRequest{Track: link.TrackRunning, LimitMA: 900, AllowedMS: 100}
	reset       = []byte{0, 0, 0}
	idle        = []byte{0xFF, 0, 0xFF}
)

// step is a packet as a train has it.
func step(window, times, least uint8, packet ...byte) []any {
	return []any{link.StepHead{Head: uint8(len(packet)) | window<<3, Times: times, Least: least}, packet}
}

// played is what the board did at its track.
type played struct {
	packets   []string
	preambles []int
	starts    []time.Duration // of the bytes' first bits
	switched  []bool
}

var folder string

func TestMain(m *testing.M) {
	var err error
	if folder, err = os.MkdirTemp("", "firmware"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}

// build is the host build, which is built once.
var build = sync.OnceValues(func() (string, error) { return hosttest.Build(".", folder) })

// started is the host build with a decoder on its track, said hello to.
func started(t *testing.T) (*host, *hosttest.Board, *played) {
	t.Helper()
	program, err := build()
	if err != nil {
		t.Fatal(err)
	}
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	track := bench.NewTrack(spec.New(1))
	b, err := hosttest.Start(program, track)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	acts := &played{}
	b.Acts.Switched = func(on bool) { acts.switched = append(acts.switched, on) }
	b.Acts.Played = func(preamble int, p nmra.Packet) {
		acts.packets = append(acts.packets, fmt.Sprint(p))
		acts.preambles = append(acts.preambles, preamble)
		acts.starts = append(acts.starts, b.Now()+time.Duration(preamble)*nmra.BitTime(true))
	}
	h := &host{T: t, line: &hosttest.Cable{Board: b, Left: -1}}
	h.run(10 * time.Millisecond)
	if got := h.heard(link.Started); len(got) != 1 {
		t.Fatalf("%d times started, want once", len(got))
	}
	var a link.HelloAnswer
	h.ask(&a, link.Hello)
	if a.Firmware != firmware.Version || a.Link != link.Version {
		t.Fatalf("hello is answered by %+v, want version %d of the firmware and %d of the link", a, firmware.Version, link.Version)
	}
	h.next = a.Next
	return h, b, acts
}

func parts(preamble uint8, steps ...[]any) []any {
	return append([]any{link.TrainRequest{Preamble: preamble}}, slices.Concat(steps...)...)
}

func TestATrainIsPlayedWithLeastInThePlaceOfTimesOnceItIsAcknowledged(t *testing.T) {
	h, _, acts := started(t)
	var on link.StateAnswer
	h.ask(&on, link.On, programming)
	if on.Track != link.TrackProgramming || !slices.Equal(acts.switched, []bool{true}) {
		t.Fatalf("%+v, switched %v; want the programming track on", on, acts.switched)
	}
	var up link.TrainAnswer
	h.ask(&up, link.Train, parts(20, step(link.WindowDeaf, 19, 19, reset...), step(link.WindowAtRest, 1, 1, reset...))...)
	// The decoder at hand rests at about 8 mA: a step of the converter is 1.2 mA.
	if up.Flags != link.FlagWhole || up.RestTenths < 60 || up.RestTenths > 100 {
		t.Errorf("%+v; want all of it played, and some 8 mA at rest", up)
	}
	for _, c := range []struct {
		value         byte
		acknowledged  bool
		verifies, end int
	}{{13, true, 0, 1}, {14, false, 5, 6}} {
		ask, err := nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: c.value}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		*acts = played{}
		var a link.TrainAnswer
		h.ask(&a, link.Train, parts(20, step(link.WindowDeaf, 3, 3, reset...),
			step(link.WindowAfterSecond, 5, 2, ask.Append(nil)...), step(link.WindowListening, 6, 1, reset...))...)
		if (a.Flags == link.FlagWhole|link.FlagAcknowledged) != c.acknowledged || a.Flags&link.FlagWhole == 0 {
			t.Errorf("is register 8 %d? %+v, want it to be acknowledged: %v", c.value, a, c.acknowledged)
		}
		first := slices.Index(acts.packets, fmt.Sprint(ask))
		var airtime time.Duration
		verifies, rest := 0, 0
		for _, p := range acts.packets[max(first, 0):] {
			if p == fmt.Sprint(ask) {
				verifies++
			} else {
				rest++
			}
		}
		if c.acknowledged {
			// 3 ms of an acknowledgement are enough, and a packet takes more: one that begins behind the second is seen in the third.
			if verifies < 3 || verifies > 4 {
				t.Errorf("%d packets until an acknowledgement was seen, want 3 or 4", verifies)
			}
		} else if verifies != c.verifies {
			t.Errorf("%d packets with no acknowledgement, want %d", verifies, c.verifies)
		}
		if rest < c.end {
			t.Errorf("%d resets behind them, want %d", rest, c.end)
		}
		resetPacket, err := nmra.NewPacket(reset...)
		if err != nil {
			t.Fatal(err)
		}
		airtime = time.Duration(3+c.end)*resetPacket.Airtime(20) + time.Duration(verifies)*ask.Airtime(20)
		if got := time.Duration(a.AirtimeMicros) * time.Microsecond; got != airtime {
			t.Errorf("its airtime is said to be %v, and is %v", got, airtime)
		}
		for n := first + 1; n < first+verifies+c.end; n++ {
			if acts.preambles[n] != 20 {
				t.Errorf("packet %d of the train has a preamble of %d, want 20", n, acts.preambles[n])
			}
		}
	}
}

func TestWhatComesBeforeTheEndOfTheSecondPacketIsNoAcknowledgement(t *testing.T) {
	h, b, _ := started(t)
	var on link.StateAnswer
	h.ask(&on, link.On, programming)
	h.run(200 * time.Millisecond) // until the decoder is at rest
	packet, err := nmra.NewPacket(1, 2, 3)
	if err != nil {
		t.Fatal(err)
	}
	for nth := 2; nth <= 5; nth++ {
		seen := 0
		b.Acts.Played = func(_ int, p nmra.Packet) {
			if p == packet {
				seen++
			}
			if b.Load = 0; p == packet && seen == nth {
				b.Load = 60
			}
		}
		var a link.TrainAnswer
		h.ask(&a, link.Train, parts(20, step(link.WindowAfterSecond, 5, 2, packet.Append(nil)...))...)
		// NMRA S-9.2.3 (July 2012), section D: listened from the end bit of the second packet.
		if got := a.Flags&link.FlagAcknowledged != 0; got != (nth > 2) {
			t.Errorf("60 mA more during packet %d: %+v, want it to be an acknowledgement: %v", nth, a, nth > 2)
		}
		if nth > 2 && seen != nth {
			t.Errorf("60 mA more during packet %d: %d packets were played", nth, seen)
		}
	}
}

func TestBetweenTrainsThereIsAFillerBeforeADecoderLeavesServiceMode(t *testing.T) {
	for _, c := range []struct {
		on   link.OnRequest
		want []byte
	}{{programming, reset}, {running, idle}} {
		h, _, acts := started(t)
		var a link.StateAnswer
		h.ask(&a, link.On, c.on)
		for range 4 {
			h.run(100 * time.Millisecond)
			h.ask(&a, link.State)
		}
		want, err := nmra.NewPacket(c.want...)
		if err != nil {
			t.Fatal(err)
		}
		if len(acts.packets) < 20 {
			t.Errorf("%d packets in 400 ms, want 20 and more", len(acts.packets))
		}
		for n, p := range acts.packets {
			if p != fmt.Sprint(want) {
				t.Errorf("packet %d is %v, want nothing but %v", n, p, want)
			}
			// NMRA S-9.2.3 (July 2012), section E: a decoder leaves service mode after 20 ms without a packet of it.
			if n > 0 && acts.starts[n]-acts.starts[n-1] >= 20*time.Millisecond {
				t.Errorf("packet %d begins %v after the one before, want less than 20 ms", n, acts.starts[n]-acts.starts[n-1])
			}
		}
	}
}

func TestWhatIsRefusedIsNotDoneAndDoesNotTakeUpItsNumber(t *testing.T) {
	h, _, acts := started(t)
	refused := func(what string, reason uint8, number uint8, kind link.Type, parts ...any) {
		t.Helper()
		request := link.NewFrame(kind, number, parts...)
		h.say(request)
		var r link.RefusedAnswer
		f := h.answer(request)
		if f.Type != link.Refused|link.AnswerBit || f.Decode(&r) != nil || r != (link.RefusedAnswer{Type: uint8(kind), Reason: reason, Next: h.next}) {
			t.Errorf("%s: %v, want it refused for reason %d, and %d to be next", what, f, reason, h.next)
		}
	}
	on := func(change func(*link.OnRequest)) link.OnRequest {
		r := programming
		change(&r)
		return r
	}
	good := step(link.WindowDeaf, 1, 1, reset...)
	refused("train while off", link.ReasonTrackOff, h.next, link.Train, parts(20, good)...)
	refused("number too high", link.ReasonNumber, h.next+1, link.On, programming)
	refused("number of before", link.ReasonNumber, h.next-1, link.On, programming)
	refused("no such track", link.ReasonMalformed, h.next, link.On, on(func(r *link.OnRequest) { r.Track = 3 }))
	refused("off is no track", link.ReasonMalformed, h.next, link.On, on(func(r *link.OnRequest) { r.Track = link.TrackOff }))
	refused("anything an acknowledgement", link.ReasonMalformed, h.next, link.On, on(func(r *link.OnRequest) { r.ThresholdMA = 0 }))
	refused("in no time", link.ReasonMalformed, h.next, link.On, on(func(r *link.OnRequest) { r.EnoughUS = 0 }))
	refused("programming limit", link.ReasonLimit, h.next, link.On, on(func(r *link.OnRequest) { r.LimitMA = 251 }))
	refused("allowed time", link.ReasonLimit, h.next, link.On, on(func(r *link.OnRequest) { r.AllowedMS = 101 }))
	refused("running limit", link.ReasonLimit, h.next, link.On, link.OnRequest{Track: link.TrackRunning, LimitMA: 901, AllowedMS: 100})
	if len(acts.switched) != 0 {
		t.Fatalf("switched %v, and nothing was to be done", acts.switched)
	}
	var state link.StateAnswer
	h.ask(&state, link.On, programming)
	refused("on while on", link.ReasonTrackOn, h.next, link.On, programming)
	refused("the number just done, of another type", link.ReasonNumber, h.next-1, link.Train, parts(20, good)...)
	strange := []byte{1, 2, 3}
	refused("short preamble", link.ReasonMalformed, h.next, link.Train, parts(13, step(link.WindowDeaf, 1, 1, strange...))...)
	refused("wrong check byte", link.ReasonMalformed, h.next, link.Train, parts(20, good, step(link.WindowDeaf, 1, 1, 1, 2, 4))...)
	refused("sent never", link.ReasonMalformed, h.next, link.Train, parts(20, step(link.WindowDeaf, 0, 0, strange...))...)
	refused("two bytes", link.ReasonMalformed, h.next, link.Train,
		parts(20, step(link.WindowDeaf, 1, 1, 5, 5), step(link.WindowDeaf, 1, 1, strange...))...)
	refused("seven bytes", link.ReasonMalformed, h.next, link.Train, parts(20, step(link.WindowDeaf, 1, 1, 1, 2, 3, 1, 2, 3, 0))...)
	refused("a bit that is none", link.ReasonMalformed, h.next, link.Train, parts(20, step(4, 1, 1, strange...))...)
	refused("a step that ends early", link.ReasonMalformed, h.next, link.Train, parts(20, good, []any{[]byte{3, 1, 1, 7, 7}})...)
	refused("a head that ends early", link.ReasonMalformed, h.next, link.Train, parts(20, good, []any{[]byte{3, 1}})...)
	long := parts(20, slices.Concat(slices.Repeat([][]any{good}, 16)...),
		slices.Concat(slices.Repeat([][]any{step(link.WindowDeaf, 1, 1, 0, 0, 0, 0)}, 3)...))
	refused("a head that ends early at the end of the longest payload", link.ReasonMalformed, h.next, link.Train, append(long, []byte{3, 1})...)
	refused("packets 30 ms apart", link.ReasonLimit, h.next, link.Train, parts(151, step(link.WindowDeaf, 1, 1, strange...))...)
	for _, p := range acts.packets {
		if fillers, err := nmra.NewPacket(reset...); err != nil || p != fmt.Sprint(fillers) {
			t.Errorf("%v was played, and nothing was to be done", p)
		}
	}
	var a link.TrainAnswer
	if h.ask(&a, link.Train, parts(150, step(link.WindowDeaf, 1, 1, strange...))...); a.Flags != link.FlagWhole {
		t.Errorf("%+v, want the board to go on as if nothing had been", a)
	}
}

func TestARequestThatComesAgainIsAnsweredAgainAndDoneOnce(t *testing.T) {
	h, _, acts := started(t)
	var state link.StateAnswer
	h.ask(&state, link.On, programming)
	h.say(link.NewFrame(link.On, h.next-1, programming))
	h.run(20 * time.Millisecond)
	if got := h.heard(link.On | link.AnswerBit); len(got) != 1 || len(acts.switched) != 1 {
		t.Errorf("on, once more: answers %v, switched %v; want it answered again, and not done", got, acts.switched)
	}
	var before link.TrainAnswer
	h.ask(&before, link.Train, parts(20, step(link.WindowDeaf, 1, 1, reset...))...)
	packet, err := nmra.NewPacket(1, 2, 3)
	if err != nil {
		t.Fatal(err)
	}
	train := link.NewFrame(link.Train, h.next, parts(20, step(link.WindowDeaf, 10, 10, packet.Append(nil)...))...)
	h.say(train)
	h.run(20 * time.Millisecond)
	h.say(train) // it is being done
	h.run(400 * time.Millisecond)
	if got := h.heard(link.Train | link.AnswerBit); len(got) != 1 {
		t.Errorf("%d answers to a train that came again while it was played, want 1", len(got))
	}
	h.say(train)
	h.run(400 * time.Millisecond)
	if got := h.heard(link.Train | link.AnswerBit); len(got) != 1 {
		t.Errorf("%d answers to a train that came again, want 1", len(got))
	}
	count := 0
	for _, p := range acts.packets {
		if p == fmt.Sprint(packet) {
			count++
		}
	}
	if count != 10 {
		t.Errorf("its packet was played %d times, want 10", count)
	}
}

func TestOffEndsATrainAndTheTrainSaysThatItIsNotWhole(t *testing.T) {
	h, b, _ := started(t)
	var state link.StateAnswer
	h.ask(&state, link.On, running)
	h.say(link.NewFrame(link.Train, h.next, parts(20, step(link.WindowDeaf, 200, 200, idle...))...))
	h.run(100 * time.Millisecond)
	h.ask(&state, link.Off)
	got := h.heard(link.Train | link.AnswerBit)
	var a link.TrainAnswer
	if len(got) != 1 || got[0].Decode(&a) != nil || a.Flags != 0 || a.AirtimeMicros == 0 {
		t.Errorf("the train is answered by %v, %+v; want it not whole", got, a)
	}
	if state.Track != link.TrackOff || state.Cause != link.CauseAsked || b.On() {
		t.Errorf("%+v, on: %v; want it off since it was asked", state, b.On())
	}
	h.run(1500 * time.Millisecond)
	if got := h.heard(link.Cut); len(got) != 0 {
		t.Errorf("%v; want no cut of a track that is off", got)
	}
}

func TestWhatABoardSaysIsNoSignOfLife(t *testing.T) {
	h, b, _ := started(t)
	var state link.StateAnswer
	h.ask(&state, link.On, programming)
	for range 12 { // an echo
		h.say(link.NewFrame(link.State|link.AnswerBit, 1, state))
		h.say(link.NewFrame(link.Started, 0, link.StartedEvent{}))
		h.run(100 * time.Millisecond)
	}
	var cut link.CutEvent
	got := h.heard(link.Cut)
	if len(got) != 1 || got[0].Decode(&cut) != nil || cut.Cause != link.CauseSilence || b.On() {
		t.Errorf("cut %v, %+v, on: %v; want one cut, since the host is silent", got, cut, b.On())
	}
}

func TestAnOverloadWithGapsIsOneAndAcknowledgementsAreNone(t *testing.T) {
	for _, c := range []struct {
		name         string
		above, apart time.Duration
		cut          bool
	}{
		{"wheels that lose their contact", 8 * time.Millisecond, 10 * time.Millisecond, true},
		// NMRA S-9.2.3 (July 2012), section D: an acknowledgement takes 6 ms ± 1 ms. At most one comes with each packet of a write.
		{"acknowledgements one after the other", 7 * time.Millisecond, 15 * time.Millisecond, false},
	} {
		h, b, _ := started(t)
		var state link.StateAnswer
		h.ask(&state, link.On, programming)
		for n := range 60 {
			b.Load = 300
			h.run(c.above)
			b.Load = 0
			h.run(c.apart - c.above)
			if n%20 == 19 {
				h.ask(&state, link.State)
			}
		}
		if cut := state.Cause == link.CauseOverload; cut != c.cut || cut == b.On() {
			t.Errorf("%s: %+v, on: %v; want it cut: %v", c.name, state, b.On(), c.cut)
		}
	}
}

func TestAnEventIsSentUntilItIsAnswered(t *testing.T) {
	h, b, _ := started(t)
	var state link.StateAnswer
	h.ask(&state, link.On, programming)
	h.silent = true
	b.Load = 300
	h.run(950 * time.Millisecond)
	got := h.heard(link.Cut)
	var cut link.CutEvent
	if len(got) < 5 || got[0].Decode(&cut) != nil || cut.Cause != link.CauseOverload || cut.HighestTenths < 3000 {
		t.Fatalf("%d cuts, %+v; want it told again and again that more than 300 mA flowed", len(got), cut)
	}
	for _, f := range got {
		if f != got[0] {
			t.Errorf("%v, then %v; want the same", got[0], f)
		}
	}
	h.say(link.NewFrame(link.Cut|link.AnswerBit, got[0].Number+1))
	h.run(300 * time.Millisecond)
	if len(h.heard(link.Cut)) == 0 {
		t.Error("the answer to another event ends it")
	}
	h.say(link.NewFrame(link.Cut|link.AnswerBit, got[0].Number))
	h.run(10 * time.Millisecond)
	h.heard(link.Cut)
	if h.run(300 * time.Millisecond); len(h.heard(link.Cut)) != 0 {
		t.Error("it is told after it was answered")
	}
}

// chip is the real image in the simulated chip.
func chip(t *testing.T) (*host, *boardsim.Board) {
	t.Helper()
	b, err := boardsim.New(firmware.Image, bench.NewTrack())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	h := &host{T: t, line: b}
	h.run(10 * time.Millisecond)
	return h, b
}

func TestAGateThatBouncesHasOneEdgeAndThenTheOneThatStays(t *testing.T) {
	h, b := chip(t)
	at := b.Now() + time.Millisecond
	for n := range 9 { // closes, bounces for 2 ms, and stays closed
		b.At(at+time.Duration(n)*250*time.Microsecond, func(s *boardsim.Surroundings) { s.Closed ^= 1 })
	}
	for n := range 8 { // closes, and opens while it bounces
		b.At(at+20*time.Millisecond+time.Duration(n)*250*time.Microsecond, func(s *boardsim.Surroundings) { s.Closed ^= 1 << 3 })
	}
	h.run(50 * time.Millisecond)
	var edges [][2]uint8
	for _, f := range h.heard(link.Gate) {
		var e link.GateEvent
		if err := f.Decode(&e); err != nil {
			t.Fatal(err)
		}
		edges = append(edges, [2]uint8{e.Gate, e.Closed})
	}
	if want := [][2]uint8{{1, 1}, {4, 1}, {4, 0}}; !slices.Equal(edges, want) {
		t.Errorf("edges %v, want %v", edges, want)
	}
}

func TestEdgesThatAreTooManyToKeepLeaveTheirNumbersOut(t *testing.T) {
	h, b := chip(t)
	h.silent = true
	at := b.Now()
	for n := range 12 {
		b.At(at+time.Duration(n)*6*time.Millisecond, func(s *boardsim.Surroundings) { s.Closed ^= 1 << 1 })
	}
	h.run(80 * time.Millisecond)
	h.silent = false
	h.run(300 * time.Millisecond)
	for range 2 {
		b.At(b.Now(), func(s *boardsim.Surroundings) { s.Closed ^= 1 << 2 })
		h.run(20 * time.Millisecond)
	}
	edges := slices.Compact(h.heard(link.Gate))
	if len(edges) != 10 {
		t.Fatalf("%d edges: %v; want the 8 that can be kept, and 2", len(edges), edges)
	}
	if lost := edges[9].Number - edges[0].Number - 9; lost != 4 {
		t.Errorf("numbers %d to %d leave out %d, want the 4 that were lost", edges[0].Number, edges[9].Number, lost)
	}
}

func TestAnAcknowledgementIsHighEnoughForLongEnoughWithShortGapsOnly(t *testing.T) {
	h, b := chip(t)
	var hello link.HelloAnswer
	h.ask(&hello, link.Hello)
	h.next = hello.Next
	var on link.StateAnswer
	h.ask(&on, link.On, programming)
	const base = 20 // mA, whatever stands on the track
	b.At(b.Now(), func(s *boardsim.Surroundings) { s.Load = base })
	type piece struct {
		rise   station.Milliamps
		tenths int // of a ms
	}
	// What is enough, 40 mA for 3 ms, the host has said; that a gap of 2 ms ends a pulse is our own choice.
	for _, c := range []struct {
		name   string
		pieces []piece
		above  int // tenths of a ms; 0 for none
	}{
		{"nothing", nil, 0},
		{"too short", []piece{{60, 26}}, 0},
		{"just long enough", []piece{{60, 33}}, 33},
		{"as the standard has it", []piece{{60, 60}}, 60},
		{"too low", []piece{{38, 70}}, 0},
		{"just high enough", []piece{{43, 70}}, 70},
		{"with a short gap", []piece{{60, 20}, {0, 15}, {60, 20}}, 40},
		{"with a long gap", []piece{{60, 20}, {0, 25}, {60, 20}}, 0},
		{"another one behind it", []piece{{60, 40}, {0, 30}, {60, 40}}, 40},
	} {
		at := b.Now() + 60*time.Millisecond
		highest := station.Milliamps(0)
		for _, p := range append(c.pieces, piece{}) {
			b.At(at, func(s *boardsim.Surroundings) { s.Load = base + p.rise })
			at += time.Duration(p.tenths) * 100 * time.Microsecond
			highest = max(highest, p.rise)
		}
		var a link.TrainAnswer
		h.ask(&a, link.Train, parts(20, step(link.WindowAtRest, 1, 1, reset...), step(link.WindowListening, 20, 20, reset...))...)
		if got := a.Flags&link.FlagAcknowledged != 0; a.Flags&link.FlagWhole == 0 || got != (c.above > 0) {
			t.Errorf("%s: %+v, want it to be an acknowledgement: %v", c.name, a, c.above > 0)
		}
		// A sample is 52 µs, a step of the converter 1.2 mA.
		if off := int(a.AboveMicros) - c.above*100; c.above > 0 && (off < -110 || off > 110) {
			t.Errorf("%s: above for %d µs, want %d", c.name, a.AboveMicros, c.above*100)
		}
		if off := float64(a.HeightTenths)/10 - float64(highest); c.above > 0 && (off < -2.5 || off > 2.5) {
			t.Errorf("%s: %d tenths of a mA high, want %v mA", c.name, a.HeightTenths, highest)
		}
		if a.RestTenths < 10*base-25 || a.RestTenths > 10*base+25 {
			t.Errorf("%s: %d tenths of a mA at rest, want %d mA", c.name, a.RestTenths, base)
		}
	}
}
