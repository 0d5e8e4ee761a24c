package serve

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/coder/websocket"
	"github.com/sirupsen/logrus"

	"fettle/station"
	"fettle/station/bench"
)

// Windows of tests.
const (
	first  = "00000000000000000000000000000001"
	second = "00000000000000000000000000000002"
)

// desk is a server that a test talks to as windows do, without a network between, in the time of testing/synctest.
type desk struct {
	*testing.T
	*Server
	folder string
	asked  int
	heard  map[string]map[int]Answer // by window and ID
}

// on is a bench with a built-in decoder that remembers nothing.
func on(t *testing.T, name string) station.Station {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	return bench.New(spec.New(1))
}

// testdata is a file of the module's testdata.
func testdata(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// trialText is a trial of engine 30 that takes few runs.
const trialText = `title = "Night-mail engine 30, quay section 2"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
[section]
length_mm = 1800
gates_mm = [-400, -100, 300, 900]
[wanted]
stop_mm = 1400
within_mm = 40
steps = [12, 20]
[runs]
repeats = 1
leads = ["front"]
against = 0
seed = 7
`

// seated makes a server of a station and files, and a window that drives it.
func seated(t *testing.T, s station.Station, files map[string]string) *desk {
	t.Helper()
	d := &desk{T: t, folder: t.TempDir(), heard: map[string]map[int]Answer{}}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(d.folder, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	d.serve(s)
	d.come(first)
	d.must(Order{Do: TakeSeat})
	return d
}

// serve begins to serve a station, in place of what was served.
func (d *desk) serve(s station.Station) {
	d.Helper()
	server, err := New(Options{Station: s, Folder: d.folder, Silence: 5 * time.Second, Hosts: []string{"localhost:8087"}, Pace: 20})
	if err != nil {
		d.Fatal(err)
	}
	d.Server = server
}

// come opens a window.
func (d *desk) come(id string) *window {
	d.Helper()
	w, ok := d.arrive(id, func(websocket.StatusCode, string) {})
	if !ok {
		d.Fatal("the window was not let in")
	}
	return w
}

// send sends an order of a window, and does not wait for its answer.
func (d *desk) send(id string, o Order) int {
	if o.ID == 0 {
		d.asked++
		o.ID = d.asked
	}
	d.mu.Lock()
	w := d.windows.by[id]
	d.mu.Unlock()
	d.take(w, o)
	return o.ID
}

// answered is the answer to an order, for which it waits.
func (d *desk) answered(id string, order int) Answer {
	d.Helper()
	for range 10_000 {
		d.mu.Lock()
		w := d.windows.by[id]
		d.mu.Unlock()
		answers, _ := d.news(w)
		for _, a := range answers {
			if d.heard[id] == nil {
				d.heard[id] = map[int]Answer{}
			}
			d.heard[id][a.ID] = a
		}
		if a, ok := d.heard[id][order]; ok {
			delete(d.heard[id], order)
			return a
		}
		d.beat()
	}
	d.Fatalf("no answer to order %d; the state is %v", order, d.seen(id))
	return Answer{}
}

// beat lets a little time pass, in which the one who drives is heard.
func (d *desk) beat() {
	d.mu.Lock()
	if d.silence != nil && d.windows.driver != "" {
		d.heardDriver()
	}
	d.mu.Unlock()
	time.Sleep(50 * time.Millisecond)
	synctest.Wait()
}

// ask sends an order of a window and waits for its answer.
func (d *desk) ask(id string, o Order) Answer {
	d.Helper()
	return d.answered(id, d.send(id, o))
}

// must has the first window send an order, which is not to be refused.
func (d *desk) must(o Order) {
	d.Helper()
	if a := d.ask(first, o); a.Refused != "" || len(a.Doubts) > 0 {
		d.Fatalf("%s was refused: %q %q; the trouble is %q", o.Do, a.Refused, a.Doubts, d.seen(first).Trouble)
	}
}

// refused has a window send an order that is to be refused, in words that say so.
func (d *desk) refused(id string, o Order, words string) {
	d.Helper()
	if a := d.ask(id, o); !strings.Contains(a.Refused, words) {
		d.Errorf("%s: found answer %q, want it refused: %q", o.Do, a.Refused, words)
	}
}

// seen is what a window sees.
func (d *desk) seen(id string) State {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.state
	s.Watching = d.windows.open()
	switch d.windows.driver {
	case "":
		s.Seat = Free
	case id:
		s.Seat = Mine
	default:
		s.Seat = Taken
	}
	return s
}

// until waits for a state, while the one who drives is heard.
func (d *desk) until(what string, is func(State) bool) State {
	d.Helper()
	for range 20_000 {
		if s := d.seen(first); is(s) {
			return s
		}
		d.beat()
	}
	d.Fatalf("waited in vain for %s; found %s", what, d.told())
	return State{}
}

// told is what a window sees, in short.
func (d *desk) told() string {
	s := d.seen(first)
	text := fmt.Sprintf("track %s, doing %q, trouble %q", s.Track, s.Doing, s.Trouble)
	if s.Batch != nil {
		text += fmt.Sprintf(", batch %s", s.Batch.Phase)
	}
	if s.Trial != nil {
		text += fmt.Sprintf(", trial %s %+v", s.Trial.Phase, s.Trial.Run)
	}
	return text
}

// idle waits until there is no work at hand.
func (d *desk) idle() State {
	d.Helper()
	return d.until("the end of the work", func(State) bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		return d.job == nil
	})
}

// phase waits for a phase of the trial.
func (d *desk) phase(p Phase) State {
	d.Helper()
	return d.until("phase "+string(p), func(s State) bool { return s.Trial != nil && s.Trial.Phase == p })
}

// opened opens the trial of trialText, and comes to where the first run is to be placed.
func (d *desk) opened() State {
	d.Helper()
	d.must(Order{Do: OpenTrial, File: "quay-2.toml"})
	d.idle()
	d.must(Order{Do: AgreeToMove})
	return d.phase(Placing)
}

// driven sends the run at hand off, until it is on its way.
func (d *desk) driven() State {
	d.Helper()
	d.must(Order{Do: DriveRun, Run: d.seen(first).Trial.Run.Number})
	return d.until("a vehicle that moves", func(s State) bool { return s.Trial.View != nil && s.Trial.View.SpeedMMS > 0 })
}

// stopped waits until the vehicle stands past the trigger, and says so.
func (d *desk) stopped() State {
	d.Helper()
	s := d.until("a vehicle that stands in the section", func(s State) bool {
		return s.Trial.View != nil && s.Trial.View.PastMM > 0 && s.Trial.View.SpeedMMS == 0
	})
	d.must(Order{Do: SayOutcome, Run: s.Trial.Run.Number, Outcome: "stopped"})
	return d.phase(Noting)
}

// closed ends the server.
func (d *desk) closed() {
	d.Helper()
	if err := d.Close(); err != nil {
		d.Errorf("closing: %v", err)
	}
}

func TestMain(m *testing.M) {
	logrus.SetOutput(io.Discard) // as the command does
	m.Run()
}
