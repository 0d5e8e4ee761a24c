package tryout

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
)

// workbench is a station whose person takes decoders off and puts them on, and sees when the power comes on.
type workbench struct {
	t        *testing.T
	decoders []*bench.Decoder // that are put on
	checks   []station.Check
	bold     bool // turns on the power whatever is in doubt
	declines map[station.Scene]error
	fails    func(access int) error // before each access and packet

	now      *bench.Bench
	scene    station.Scene
	prepared bool
	on       bool
	turnedOn map[station.Scene]int
	asked    []string
	accesses int
}

func newWorkbench(t *testing.T, decoders ...*bench.Decoder) *workbench {
	return &workbench{t: t, decoders: decoders, now: bench.New(), turnedOn: map[station.Scene]int{}}
}

func (w *workbench) Prepare(_ context.Context, stage Stage) error {
	if w.on {
		w.t.Errorf("%+v: a person is asked to touch a track that is on", stage)
	}
	w.asked = append(w.asked, fmt.Sprint(stage.Scene, stage.Check))
	if err := w.declines[stage.Scene]; err != nil {
		return err
	}
	if stage.Doubt != "" && !w.bold {
		return fmt.Errorf("not with a doubt about the %s: %w", stage.Doubt, ErrNotPrepared)
	}
	w.scene, w.prepared = stage.Scene, true
	w.now = bench.New()
	if stage.Scene == station.WithDecoder {
		w.now = bench.New(w.decoders...)
	}
	return nil
}

func (w *workbench) Describe() station.Description {
	return station.Description{Kind: "workbench", Title: "quay"}
}
func (w *workbench) Close() error            { return w.now.Close() }
func (w *workbench) Checks() []station.Check { return w.checks }

func (w *workbench) PowerOn(ctx context.Context) (station.Draw, error) {
	if !w.on {
		w.turnedOn[w.scene]++
	}
	if !w.prepared || w.scene == station.HandAtGate {
		w.t.Errorf("the power comes on and nobody was told")
	}
	w.on = true
	draw, err := w.now.PowerOn(ctx)
	w.on = err == nil
	return draw, err
}

func (w *workbench) PowerOff(ctx context.Context) error {
	w.on = false
	return w.now.PowerOff(ctx)
}

func (w *workbench) fail() error {
	w.accesses++
	if w.fails == nil {
		return nil
	}
	return w.fails(w.accesses)
}

func (w *workbench) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if err := errors.Join(w.fail(), ctx.Err()); err != nil {
		return station.Answer{}, err
	}
	if a.Writes() {
		w.t.Errorf("%v: it writes", a)
	}
	return w.now.Service(ctx, a)
}

func (w *workbench) Send(ctx context.Context, p nmra.Packet, times int) error {
	if err := errors.Join(w.fail(), ctx.Err()); err != nil {
		return err
	}
	return w.now.Send(ctx, p, times)
}

// tried gives the results, by name, and in order as "scene name state".
func (w *workbench) tried(ctx context.Context, s station.Station) (byName map[string]Result, order []string, err error) {
	byName = map[string]Result{}
	err = Try(ctx, s, w, func(r Result) {
		name := r.Name
		if name == "power on" && r.Scene == station.WithDecoder {
			name = "power on with the decoder"
		}
		byName[name] = r
		order = append(order, fmt.Sprintf("%d %s: %v", r.Scene, r.Name, r.State))
		if (r.State != Yes) != (r.Do != "") {
			w.t.Errorf("%+v: want what to do where it is not yes, and only there", r)
		}
		if strings.Contains(r.Do, station.ErrStation.Error()) || strings.Contains(r.Do, "workbench") {
			w.t.Errorf("%+v: it says what is said elsewhere", r)
		}
	})
	if w.on {
		w.t.Error("the track was left on")
	}
	return byName, order, err
}

func builtIn(t *testing.T, names ...string) (all []*bench.Decoder) {
	t.Helper()
	for _, name := range names {
		spec, err := bench.BuiltIn(name)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, spec.New(0))
	}
	return all
}

// invented is a decoder of a file with this in it.
func invented(t *testing.T, more string) *bench.Decoder {
	t.Helper()
	return made(t, 13, more)
}

func made(t *testing.T, maker uint8, more string) *bench.Decoder {
	t.Helper()
	spec, err := bench.ParseDecoder("invented.toml", fmt.Appendf(nil, `title = "invented"
modes = ["direct"]
[registers]
1 = 3
7 = 1
8 = %d
29 = 6
%s`, maker, more))
	if err != nil {
		t.Fatal(err)
	}
	return spec.New(0)
}

func TestEachAbilityIsProvenInTheOrderOfScenes(t *testing.T) {
	w := newWorkbench(t, builtIn(t, "tram-3")...)
	var ran []string
	for scene := station.HandAtGate + 1; scene > 0; scene-- { // in whatever order the station has them
		w.checks = append(w.checks, station.Check{Name: fmt.Sprint("own ", scene-1), Scene: scene - 1, Run: func(context.Context) (string, error) {
			ran = append(ran, fmt.Sprint(scene-1, " on: ", w.on))
			return "seen", nil
		}})
	}
	byName, order, err := w.tried(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{
		"0 own 0: yes",
		"1 power on: yes", "1 own 1: yes", "1 silence of nobody: yes", "1 packets to the main: yes",
		"2 power on: yes", "2 own 2: yes", "2 current at rest: yes", "2 acknowledgement: yes", "2 reading: yes", "2 strength of acknowledgements: yes",
		"2 silence where it is not so: yes", "2 writing: not tried",
		"3 own 3: yes", "3 gates: not tried",
	}, order); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if diff := cmp.Diff([]string{"0 on: false", "1 on: true", "2 on: true", "3 on: false"}, ran); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if diff := cmp.Diff([]string{"0", "1", "2", "3own 3"}, w.asked); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	for name, want := range map[string]string{
		"own 0":                        "seen",
		"power on":                     "0 mA",
		"silence of nobody":            "acknowledged 0 of 20 times",
		"current at rest":              "8 mA",
		"acknowledgement":              "register 8, is bit 7 a 0? acknowledged 10 of 10 times; a 1? 0 of 10 times",
		"reading":                      "maker 13, version 21: proven in direct mode with",
		"strength of acknowledgements": "at least 82 mA above rest, for 6.1 to 6.1 ms",
		"silence where it is not so":   "acknowledged 0 of 20 times",
	} {
		if got := byName[name].Saw; !strings.HasPrefix(got, want) {
			t.Errorf("%s: saw %q, want %q", name, got, want)
		}
	}
}

func TestWhatIsWrongIsToldWithWhatToDo(t *testing.T) {
	on := "power on with the decoder"
	all := []string{"current at rest", "acknowledgement", "reading", "strength of acknowledgements", "silence where it is not so"}
	for name, c := range map[string]struct {
		decoders []*bench.Decoder
		no       map[string]string // the checks that say no, and a part of what to do
		untried  []string
	}{
		"a short":      {builtIn(t, "tram-3-short"), map[string]string{on: "do not try it again"}, all},
		"nothing":      {nil, map[string]string{on: "wired backwards"}, all},
		"two decoders": {builtIn(t, "tram-3", "engine-30"), map[string]string{"reading": "only one vehicle"}, nil},
		"two that differ in bit 7": {append(builtIn(t, "tram-3"), made(t, 141, "")),
			map[string]string{"acknowledgement": "leave one vehicle", "reading": "only one vehicle"},
			[]string{"strength of acknowledgements", "silence where it is not so"}},
		"draws too much at rest": {[]*bench.Decoder{invented(t, "[rest]\nmilliamps = 140\n")}, map[string]string{"current at rest": "at most 100 mA"}, nil},
		"a weak pulse":           {[]*bench.Decoder{invented(t, "[ack]\nmilliamps = 45\n")}, map[string]string{"strength of acknowledgements": "weak"}, nil},
		"a short pulse": {[]*bench.Decoder{invented(t, "[ack]\nmilliseconds = 4.5\n")},
			map[string]string{"strength of acknowledgements": "breaks off"}, nil},
		"a long pulse": {[]*bench.Decoder{invented(t, "[ack]\nmilliseconds = 9\n")},
			map[string]string{"strength of acknowledgements": "for too long"}, nil},
		"a pulse below the threshold": {[]*bench.Decoder{invented(t, "[ack]\nmilliamps = 30\n")},
			map[string]string{"acknowledgement": "threshold is too high", "reading": "clean its wheels"},
			[]string{"strength of acknowledgements", "silence where it is not so"}},
		"noise": {[]*bench.Decoder{invented(t, "[ack]\nfalse = 0.08\nseed = 3\n")},
			map[string]string{"silence where it is not so": "come from nowhere"}, nil},
		"most is not heard": {[]*bench.Decoder{invented(t, "[ack]\nlost = 0.8\nseed = 5\n")}, nil, nil},
		"an old decoder":    {builtIn(t, "shunter-7"), map[string]string{}, nil},
		"a slow one":        {[]*bench.Decoder{invented(t, "[pace]\npackets = 5\n")}, map[string]string{}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorkbench(t, c.decoders...)
			byName, _, err := w.tried(t.Context(), w)
			if err != nil {
				t.Fatal(err)
			}
			if w.turnedOn[station.WithDecoder] != 1 {
				t.Errorf("turned on %d times with the decoder, want once", w.turnedOn[station.WithDecoder])
			}
			if c.no == nil { // whatever noise makes of it, something says so
				no := 0
				for _, r := range byName {
					if r.State == No {
						no++
					}
				}
				if no == 0 {
					t.Errorf("nothing says no: %v", byName)
				}
				return
			}
			untried := map[string]bool{"writing": true, "gates": true}
			for _, name := range c.untried {
				untried[name] = true
			}
			for name, r := range byName {
				do, no := c.no[name]
				want := Yes
				switch {
				case no:
					want = No
				case untried[name]:
					want = NotTried
				}
				if r.State != want || !strings.Contains(r.Do, do) {
					t.Errorf("%+v, want %v and %q", r, want, do)
				}
			}
		})
	}
}

func TestAnOldDecoderIsFoundInItsOwnMode(t *testing.T) {
	w := newWorkbench(t, builtIn(t, "shunter-7")...)
	byName, _, err := w.tried(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if got := byName["acknowledgement"].Saw; got != "not in direct mode, but in paged mode" {
		t.Error(got)
	}
	if got := byName["strength of acknowledgements"].Saw; !strings.Contains(got, "mA above rest") {
		t.Error(got)
	}
}

func TestThePowerStaysOffAfterACheckThatForbidsIt(t *testing.T) {
	failed := errors.New("there is no supply")
	for _, c := range []struct {
		scene    station.Scene
		bold, on bool // with the decoder
	}{
		{station.PowerOff, false, false}, {station.PowerOff, true, true}, {station.EmptyTrack, true, false},
	} {
		w := newWorkbench(t, builtIn(t, "tram-3")...)
		w.bold = c.bold
		w.checks = []station.Check{{Name: "supply", Scene: c.scene, Run: func(context.Context) (string, error) {
			return "0 V", fmt.Errorf("workbench: quay: %w: %w", failed, station.ErrStation)
		}}}
		byName, _, err := w.tried(t.Context(), w)
		if err != nil {
			t.Fatal(err)
		}
		if want := (Result{"supply", c.scene, No, "0 V", failed.Error()}); byName["supply"] != want {
			t.Errorf("%+v, want %+v", byName["supply"], want)
		}
		if on := w.turnedOn[station.WithDecoder] > 0; on != c.on || !c.bold && w.turnedOn[station.EmptyTrack] > 0 {
			t.Errorf("%+v: turned on %v", c, w.turnedOn)
		}
		if r := byName["reading"]; !c.on && (r.State != NotTried || !strings.Contains(r.Do, "supply")) {
			t.Errorf("%+v", r)
		}
	}
}

func TestSomethingOnATrackThatShouldBeEmptyIsSeen(t *testing.T) {
	for decoder, want := range map[string]string{"tram-3": "take off what stands on it", "tram-3-short": "short"} {
		b := bench.New(builtIn(t, decoder)...)
		w := newWorkbench(t)
		byName, _, err := w.tried(t.Context(), b)
		if err != nil {
			t.Fatal(err)
		}
		if r := byName["power on"]; r.State != No || !strings.Contains(r.Do, want) {
			t.Errorf("%+v, want %q", r, want)
		}
		if r := byName["power on with the decoder"]; r.State != NotTried {
			t.Errorf("%+v: tried after that", r)
		}
	}
}

func TestAPersonMayLeaveASceneOut(t *testing.T) {
	w := newWorkbench(t, builtIn(t, "tram-3")...)
	w.declines = map[station.Scene]error{station.EmptyTrack: fmt.Errorf("not now: %w", ErrNotPrepared)}
	byName, _, err := w.tried(t.Context(), w)
	if err != nil || byName["power on"].State != NotTried || !strings.HasPrefix(byName["power on"].Do, "not now") || byName["reading"].State != Yes {
		t.Errorf("%v, %+v", err, byName)
	}
	gone := errors.New("the person has gone home")
	w = newWorkbench(t, builtIn(t, "tram-3")...)
	w.declines = map[station.Scene]error{station.WithDecoder: gone}
	byName, _, err = w.tried(t.Context(), w)
	if err != gone || byName["power on"].State != Yes || byName["reading"].State != NotTried {
		t.Errorf("%v, %+v", err, byName)
	}
}

func TestWhereverTheStationIsLostOrItIsStoppedTheRestIsNotTriedAndTheTrackIsOff(t *testing.T) {
	lost := fmt.Errorf("its cable is out: %w", station.ErrLost)
	whole := newWorkbench(t, builtIn(t, "tram-3")...)
	_, all, err := whole.tried(t.Context(), whole)
	if err != nil {
		t.Fatal(err)
	}
	for at := 1; at <= whole.accesses; at += 3 {
		for _, stopping := range []bool{false, true} {
			ctx, stop := context.WithCancel(t.Context())
			w := newWorkbench(t, builtIn(t, "tram-3")...)
			w.fails = func(access int) error {
				switch {
				case access < at:
				case stopping:
					stop()
				default:
					return lost
				}
				return nil
			}
			_, order, err := w.tried(ctx, w)
			stop()
			want := station.ErrLost
			if stopping {
				want = context.Canceled
			}
			if !errors.Is(err, want) {
				t.Fatalf("access %d: %v, want %v", at, err, want)
			}
			if len(order) != len(all) {
				t.Errorf("access %d: told of %d checks, want %d:\n%s", at, len(order), len(all), strings.Join(order, "\n"))
			}
			ended := false
			for _, line := range order {
				yes := strings.HasSuffix(line, ": yes")
				if ended && yes {
					t.Errorf("access %d: %s, after the end", at, line)
				}
				ended = ended || strings.HasSuffix(line, ": no") || !yes && line != "2 writing: not tried"
			}
		}
	}
}

// blind is a station that knows nothing of currents.
type blind struct{ *workbench }

func (u blind) PowerOn(ctx context.Context) (station.Draw, error) {
	draw, err := u.workbench.PowerOn(ctx)
	return station.Draw{Unmeasured: true, Airtime: draw.Airtime}, err
}

func (u blind) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := u.workbench.Service(ctx, a)
	return station.Answer{Acknowledged: answer.Acknowledged}, err
}

func TestWhatAStationDoesNotMeasureIsNotTried(t *testing.T) {
	w := newWorkbench(t, builtIn(t, "tram-3")...)
	byName, _, err := w.tried(t.Context(), blind{w})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]State{"power on": Yes, "power on with the decoder": Yes, "current at rest": NotTried, "acknowledgement": Yes, "strength of acknowledgements": NotTried} {
		if byName[name].State != want {
			t.Errorf("%+v, want %v", byName[name], want)
		}
	}
}

// bare is a station that is able to do nothing.
type bare struct{}

func (bare) Describe() station.Description { return station.Description{Kind: "bare"} }
func (bare) Close() error                  { return nil }

func TestWhatAStationDoesNotHaveIsToldAndNobodyIsAsked(t *testing.T) {
	w := newWorkbench(t)
	byName, _, err := w.tried(t.Context(), bare{})
	if err != nil || len(w.asked) > 0 || len(byName) != 3 {
		t.Errorf("%v, asked %v, %v", err, w.asked, byName)
	}
	for name, r := range byName {
		if r.State != NotTried || r.Do != lacking {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// gated is a station with gates and no checks of its own.
type gated struct {
	bare
	edges []station.GateEdge
}

func (g *gated) Gate(ctx context.Context) (station.GateEdge, error) {
	if len(g.edges) == 0 {
		return station.GateEdge{}, fmt.Errorf("no more: %w", station.ErrStation)
	}
	edge := g.edges[0]
	g.edges = g.edges[1:]
	return edge, ctx.Err()
}

func TestAGateIsProvenOnceItHasClosedAndOpened(t *testing.T) {
	w := newWorkbench(t)
	byName, _, err := w.tried(t.Context(), &gated{edges: []station.GateEdge{
		{Gate: 2, At: time.Second}, {Gate: 1, Closed: true, At: 2 * time.Second}, {Gate: 2, Closed: true, At: 2 * time.Second},
		{Gate: 2, At: 2250 * time.Millisecond},
	}})
	if want := (Result{"gates", station.HandAtGate, Yes, "gate 2 closed, and opened 0.25 s later", ""}); err != nil || byName["gates"] != want {
		t.Errorf("%v, %+v, want %+v", err, byName["gates"], want)
	}
	if byName, _, _ = w.tried(t.Context(), &gated{}); byName["gates"].State != No {
		t.Errorf("%+v", byName["gates"])
	}
}
