package boardsim

import (
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board/link"

	"github.com/google/go-cmp/cmp"
)

func builtIn(t testing.TB, name string) bench.Spec {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	return spec
}

func TestEveryHalfBitAndEveryGapIsOneThatAStationMaySend(t *testing.T) {
	h := newHost(t, builtIn(t, "tram-3").New(1))
	for n := range 40 { // gates that close and open all the while
		h.board.At(h.board.Now()+time.Duration(50*n)*time.Millisecond, func(s *Surroundings) { s.Closed ^= 0b1011 })
	}
	h.programming()
	h.run(150 * time.Millisecond)
	for _, mode := range nmra.Modes {
		for _, operation := range []nmra.Operation{nmra.Verify, nmra.Write} {
			h.train(nmra.Access{Mode: mode, Operation: operation, CV: 1, Value: 3})
			h.state()
		}
	}
	for range 200 { // the serial line as busy as can be
		h.state()
	}
	h.run(900 * time.Millisecond)
	var off link.StateAnswer
	h.ask(&off, link.Off)
	h.run(50 * time.Millisecond)
	h.running()
	h.run(900 * time.Millisecond)
	h.ask(&off, link.Off)
	r := h.board.Record()
	t.Logf("%v", r)
	if err := r.Check(); err != nil {
		t.Error(err)
	}
	if r.Packets < 300 || r.Ones.Count() < 10_000 || r.Zeros.Count() < 5_000 {
		t.Errorf("%d packets, %d and %d halves are too few to tell", r.Packets, r.Ones.Count(), r.Zeros.Count())
	}
}

func TestEverythingHappensAlikeEachTime(t *testing.T) {
	var records [2]Record
	for n := range records {
		h := newHost(t, builtIn(t, "railcar-12").New(1))
		h.programming()
		h.board.At(h.board.Now()+3*time.Millisecond, func(s *Surroundings) { s.Closed = 1 })
		for range 3 {
			h.train(nmra.Access{CV: 8, Value: 13})
		}
		records[n] = h.board.Record()
	}
	if diff := cmp.Diff(records[0], records[1]); diff != "" {
		t.Errorf("(-once +again)\n%s", diff)
	}
}

func TestASignalThatNoStationMaySendIsToldSo(t *testing.T) {
	micros := func(halves ...int64) Halves {
		h := Halves{}
		for _, n := range halves {
			h[n*cyclesPerMicro]++
		}
		return h
	}
	good := Record{Ones: micros(55, 61), Zeros: micros(95, 9900), Apart: 3 * time.Microsecond, LongestGap: 29 * time.Millisecond}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	// NMRA S-9.1 (2020), what a station sends; NMRA S-9.2 (July 2004), section C.
	for name, change := range map[string]func(*Record){
		"short one":  func(r *Record) { r.Ones = micros(54, 58) },
		"long one":   func(r *Record) { r.Ones = micros(58, 62) },
		"short zero": func(r *Record) { r.Zeros = micros(94, 100) },
		"long zero":  func(r *Record) { r.Zeros = micros(100, 9901) },
		"uneven one": func(r *Record) { r.Apart += time.Nanosecond },
		"long gap":   func(r *Record) { r.LongestGap = 30 * time.Millisecond },
		"broken":     func(r *Record) { r.Broken = 1 },
	} {
		r := good
		if change(&r); r.Check() == nil {
			t.Errorf("%s: found nothing", name)
		}
	}
}

// cut gives when the track was turned off last, or fails.
func (h *host) cut() time.Duration {
	h.t.Helper()
	all := h.board.Record().Switched
	if len(all) == 0 || all[len(all)-1].On {
		h.t.Fatalf("the track is still on: %v", all)
	}
	return all[len(all)-1].At
}

// wantCut wants a cut of such a cause to be told, and the track to stay off.
func (h *host) wantCut(cause uint8) {
	h.t.Helper()
	h.run(50 * time.Millisecond)
	told := 0
	for _, f := range h.events {
		var cut link.CutEvent
		if f.Type == link.Cut && f.Decode(&cut) == nil && cut.Cause == cause {
			told++
		}
	}
	if told == 0 {
		h.t.Errorf("no event tells of a cut of cause %d: %v", cause, h.events)
	}
	if s := h.state(); s.Track != link.TrackOff || s.Cause != cause {
		h.t.Errorf("%+v, want the track off, of cause %d", s, cause)
	}
}

func TestMoreThanTheLimitIsCutWhenItsTimeIsOver(t *testing.T) {
	for _, track := range []struct {
		name string
		on   func(*host)
		load station.Milliamps
	}{{"programming", (*host).programming, 260}, {"running", (*host).running, 920}} {
		t.Run(track.name, func(t *testing.T) {
			h := newHost(t, builtIn(t, "tram-3").New(1))
			track.on(h)
			h.run(50 * time.Millisecond)
			// Twice for less than the time, with a break between: that is allowed.
			at := h.board.Now()
			for n, load := range []station.Milliamps{track.load, 0, track.load, 0} {
				h.board.At(at+time.Duration(n)*98*time.Millisecond, func(s *Surroundings) { s.Load = load })
			}
			h.run(400 * time.Millisecond)
			if s := h.state(); s.Track == link.TrackOff {
				t.Fatalf("%+v; want two times of 98 ms to be allowed", s)
			}
			at = h.board.Now()
			h.board.At(at, func(s *Surroundings) { s.Load = track.load })
			h.run(200 * time.Millisecond)
			// NMRA S-9.2.3 (July 2012), section D: no more than 250 mA beyond 100 ms. The running track's figure is our own choice.
			took := h.cut() - at - 100*time.Millisecond
			t.Logf("cut %v after the 100 ms that are allowed", took)
			if took < -time.Millisecond || took > 5*time.Millisecond {
				t.Errorf("cut %v after the 100 ms that are allowed, want 5 ms at most", took)
			}
			h.wantCut(link.CauseOverload)
		})
	}
}

func TestAShortIsCutWithin5Milliseconds(t *testing.T) {
	h := newHost(t, builtIn(t, "tram-3").New(1))
	for _, on := range []func(*host){(*host).programming, (*host).running} {
		on(h)
		h.run(53 * time.Millisecond)
		at := h.board.Now()
		h.board.At(at, func(s *Surroundings) { s.Load = 1100 })
		h.run(20 * time.Millisecond)
		took := h.cut() - at
		t.Logf("a short was cut after %v", took)
		if took > 5*time.Millisecond {
			t.Errorf("a short was cut after %v, want 5 ms at most", took)
		}
		h.board.At(h.board.Now(), func(s *Surroundings) { s.Load = 0 })
		h.wantCut(link.CauseShort)
		h.events = nil
	}
}

func TestATrackWhoseHostIsSilentIsCutWithin1100Milliseconds(t *testing.T) {
	for _, what := range []string{"no byte", "bytes that are no frame"} {
		t.Run(what, func(t *testing.T) {
			h := newHost(t, builtIn(t, "tram-3").New(1))
			h.programming()
			h.state()
			last := h.board.Record().Heard
			for range 15 {
				if what != "no byte" {
					if _, err := h.board.Write([]byte{3, 1, 2, 0}); err != nil {
						t.Fatal(err)
					}
				}
				h.run(100 * time.Millisecond)
			}
			took := h.cut() - last
			t.Logf("cut %v after the last frame", took)
			if took < 950*time.Millisecond || took > 1100*time.Millisecond {
				t.Errorf("cut %v after the last frame, want 1 s to 1.1 s", took)
			}
			h.wantCut(link.CauseSilence)
		})
	}
}

func TestAProgramThatHangsLosesItsTrackAndStartsAnew(t *testing.T) {
	for name, hang := range map[string]Hang{"its main program": HangMain, "its interrupts too": HangAll,
		"its signal": HangSignal, "its converter": HangConverter} {
		t.Run(name, func(t *testing.T) {
			h := newHost(t, builtIn(t, "tram-3").New(1))
			h.programming()
			h.run(50 * time.Millisecond)
			h.events = nil
			at := h.board.Now()
			h.board.At(at, func(s *Surroundings) { s.Hang = hang })
			h.run(900 * time.Millisecond)
			took := h.cut() - at
			t.Logf("track off %v after the program hung", took)
			if took > time.Second {
				t.Errorf("track off %v after the program hung, want a second at most", took)
			}
			var started link.StartedEvent
			if len(h.events) != 1 || h.events[0].Type != link.Started || h.events[0].Decode(&started) != nil || started.Watchdog != 1 {
				t.Errorf("events %v, want Started, by the watchdog", h.events)
			}
			if a := h.hello(); a.Link != link.Version {
				t.Errorf("%+v, want it to answer again", a)
			}
			if s := h.state(); s.Track != link.TrackOff || s.Cause != link.CauseAsked {
				t.Errorf("%+v, want the track off", s)
			}
			h.programming()
		})
	}
}

func TestGatesAreToldWithTheInstantOfTheirEdge(t *testing.T) {
	h := newHost(t)
	h.running()
	at := h.board.Now()
	// Where in the signal an edge falls must not matter, so that they come at odd times.
	times := []time.Duration{10_000_000, 21_003_000, 35_037_000, 50_011_000}
	for _, after := range times {
		h.board.At(at+after, func(s *Surroundings) { s.Closed ^= 1 << 2 })
	}
	h.events = nil
	h.run(100 * time.Millisecond)
	if len(h.events) != len(times) {
		t.Fatalf("events %v, want %d edges", h.events, len(times))
	}
	var first link.GateEvent
	for n, f := range h.events {
		var edge link.GateEvent
		if err := f.Decode(&edge); f.Type != link.Gate || err != nil {
			t.Fatalf("%v: %v", f, err)
		}
		if n == 0 {
			first = edge
		}
		after := time.Duration(edge.ClockMicros-first.ClockMicros) * time.Microsecond
		off := after - (times[n] - times[0])
		t.Logf("edge %d is told %v off", n+1, off)
		// The contract of the board: its clock has steps of 4 µs.
		if edge.Gate != 3 || (edge.Closed == 1) != (n%2 == 0) || off < -50*time.Microsecond || off > 50*time.Microsecond {
			t.Errorf("%+v, %v after the first; want gate 3 to change after %v", edge, after, times[n]-times[0])
		}
	}
}

func TestTheSupplyAndTheCurrentAreWhatTheyAre(t *testing.T) {
	spec := builtIn(t, "tram-3")
	h := newHost(t, spec.New(1))
	h.run(100 * time.Millisecond)
	if s := h.state(); s.SupplyTenths < 145 || s.SupplyTenths > 155 || s.CurrentTenths != 0 {
		t.Errorf("%+v, want 15 V and no current", s)
	}
	h.programming()
	h.run(200 * time.Millisecond)
	// A step of the converter is 1.2 mA.
	if s := h.state(); s.CurrentTenths < 60 || s.CurrentTenths > 100 {
		t.Errorf("%+v, want %v mA", s, spec.Rest.Current)
	}
	a := h.train(nmra.Access{CV: 8, Value: 13})
	if a.Flags != link.FlagWhole|link.FlagAcknowledged || a.HeightTenths < 790 || a.HeightTenths > 850 {
		t.Errorf("%+v, want an acknowledgement of %v mA", a, spec.Ack.Current)
	}
	var off link.StateAnswer
	h.ask(&off, link.Off)
	h.board.At(h.board.Now(), func(s *Surroundings) { s.Supply = 0 })
	h.run(300 * time.Millisecond)
	if s := h.state(); s.SupplyTenths > 5 {
		t.Errorf("%+v, want no supply", s)
	}
}
