package serve

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/coder/websocket"

	"fettle/report/internal/browser"
)

// scene is a bench of which nothing is real but the socket: the page is shown what a test wants it to see, and what it asks for is heard.
type scene struct {
	*testing.T
	web    *httptest.Server
	mu     sync.Mutex
	state  State
	socket *websocket.Conn // of the window that came last
	came   []string        // the id of each window that came
	orders chan Order      // all but beats
	answer func(Order) Answer
	gone   bool // nobody is let in
}

// set builds the scene.
func set(t *testing.T) *scene {
	s := &scene{T: t, state: quiet(), orders: make(chan Order, 100)}
	mux := http.NewServeMux()
	mux.Handle("/", page())
	mux.HandleFunc("/live", s.live)
	mux.HandleFunc("/plot-1.svg", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "image/svg+xml")
		fmt.Fprint(w, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 30 20"><rect width="30" height="20" fill="gray"/></svg>`)
	})
	s.web = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", policy)
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(s.web.Close)
	return s
}

func (s *scene) live(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	gone := s.gone
	s.mu.Unlock()
	if gone {
		http.Error(w, "gone", http.StatusServiceUnavailable)
		return
	}
	c, err := websocket.Accept(w, r, nil)
	if err != nil {
		return
	}
	s.mu.Lock()
	s.socket, s.came = c, append(s.came, r.URL.Query().Get("window"))
	s.say(c, Event{State: &s.state})
	s.mu.Unlock()
	for {
		_, data, err := c.Read(context.Background())
		if err != nil {
			return
		}
		o, err := parseOrder(data)
		if err != nil {
			s.Errorf("the page sent %s: %v", data, err)
		}
		s.mu.Lock()
		a := Answer{ID: o.ID}
		if o.Do != Beat {
			s.orders <- o
			if s.answer != nil {
				a = s.answer(o)
			}
		}
		if a.ID == o.ID {
			s.say(c, Event{Answer: &a})
		}
		s.mu.Unlock()
	}
}

// say says an event; s.mu is held.
func (s *scene) say(c *websocket.Conn, e Event) {
	data, err := json.Marshal(e)
	if err != nil {
		s.Error(err)
	}
	_ = c.Write(context.Background(), websocket.MessageText, data)
}

// show shows the page another state.
func (s *scene) show(state State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = state
	if s.socket != nil {
		s.say(s.socket, Event{State: &state})
	}
}

// cut cuts the connection; let says whether the page may come back.
func (s *scene) cut(let bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.gone = !let
	_ = s.socket.CloseNow()
}

// open opens the page in a window, at a part of it.
func (s *scene) open(b *browser.Browser, shape browser.Shape, part string) *browser.Window {
	w := b.Window(shape)
	w.Go(s.web.URL + "/" + part)
	w.Wait("document.querySelector('#version').textContent !== ''")
	return w
}

// asked is the next order, which has to be of that kind.
func (s *scene) asked(do Action) Order {
	s.Helper()
	select {
	case o := <-s.orders:
		if o.Do != do {
			s.Fatalf("the page asked for %q, want %q", o.Do, do)
		}
		return o
	case <-s.Context().Done():
	}
	s.Fatal("nothing was asked")
	return Order{}
}

// hostile is a name as a file may have it.
const hostile = `<img src=x onerror="document.title='taken'"> "quay" & 'loop' ` + "\u202egnp.exe"

func quiet() State {
	return State{
		Version: "of a test", Station: "simulated bench: night-mail engine 30", Simulated: true, Seat: Mine, Watching: 1, SilenceMS: 5000, Track: Off,
		Identity: []Fact{}, Readings: []Reading{}, Sets: []string{"tram-3.toml"}, Trials: []string{"quay-2.toml"},
	}
}

// changed is the quiet bench, but for what change does.
func changed(change func(*State)) State {
	s := quiet()
	change(&s)
	return s
}

func inBatch(phase string) State {
	six, twelve := uint8(6), uint8(180)
	return changed(func(s *State) {
		s.Batch = &Batch{Title: "Harbour tram 3 " + hostile, Phase: phase, Summary: "1 of 3 registers is to be written.", Rows: []Row{
			{Register: "3", Before: &six, Wanted: 12, State: "to_write", Words: "to write"},
			{Register: "5", Before: &six, Wanted: 250, After: &twelve, State: "clamped", Words: "clamped: the decoder keeps it within 0 to 180"},
			{Register: "260@16.3", Wanted: 7, State: "unsure", Words: "unsure"},
		}}
		if phase != "planned" {
			s.Batch.Journal = "tram-3-20261125-074103.journal"
		}
		if phase == "writing" {
			s.Doing, s.Done, s.Of, s.Track = "writing", 1, 3, Programming
		}
	})
}

func inTrial(p Phase) State {
	return changed(func(s *State) {
		run := Run{Number: 3, Lead: "front", Way: "with", Step: 12, SpeedMMS: 160,
			Words: "front leading, with the section, step 12, about 160 mm/s (50 km/h to scale)"}
		done := run
		done.Number, done.Outcome, done.StopMM, done.StopS = 1, "stopped", 1402, 9.1
		if p == Noting {
			run.Outcome = "stopped"
		}
		if p == Moving {
			s.Track = Main
		}
		s.Trial = &Running{File: "quay-2.toml", Title: "Quay section 2 " + hostile, Vehicle: "Night-mail engine 30", Phase: p, Run: &run, Made: 2, Of: 30,
			Moves: "Night-mail engine 30, address 30, is going to move: 28 runs into a section of 1800 mm with room for 1800 mm.", Runs: []Run{done, done},
			Section: Section{LengthMM: 1800, RoomMM: 1800, StopMM: 1400, WithinMM: 40, GatesMM: []float64{300, 900}},
			View:    &View{PastMM: 600, SpeedMMS: 140, Lights: true}, Plot: "/plot-1.svg", PlotAlt: "Two stops, at 1402 mm",
			Verdict: &Verdict{Word: "more_runs", Sentence: "Not enough runs: 14 more would settle it.", Reasons: []string{"2 of 2 runs stopped."}, MoreRuns: 14}}
		if p == Finished {
			s.Trial.Run, s.Trial.Made = nil, 30
		}
	})
}

func TestThePageCanBeUsedByEverybodyInEveryState(t *testing.T) {
	seven := uint8(7)
	states := []struct {
		name, part string
		state      State
	}{
		{"read", "#decoder", changed(func(s *State) {
			s.Seat = Free
			s.Identity = []Fact{{"maker", "13"}, {"address", "4203, long: registers 17 and 18 hold 208 and 107"}}
			s.Readings = []Reading{{"7", "proven", &seven, "version of the decoder"}, {"260@16.3", "unsure", nil, "not proven"}}
		})},
		{"writing", "#set", func() State {
			s := inBatch("writing")
			s.Trouble = "Reading register 8: no decoder answers. Clean its wheels."
			return s
		}()},
		{"stopped", "#set", inBatch("stopped")},
		{"trials", "#trial", quiet()},
		{"agree", "#trial", inTrial(Agreeing)},
		{"watching", "#trial", func() State { s := inTrial(Moving); s.Seat, s.Watching = Taken, 2; return s }()},
		{"note", "#trial", inTrial(Noting)},
		{"done", "#trial", inTrial(Finished)},
	}
	s, b := set(t), browser.Open(t)
	for _, shape := range []browser.Shape{browser.Phone, browser.Desktop} {
		w := s.open(b, shape, "")
		for _, at := range states {
			if shape == browser.Desktop && at.name != "writing" && at.name != "note" { // there it differs only in how many columns it has
				continue
			}
			s.show(at.state)
			w.Go(s.web.URL + "/" + at.part)
			w.Wait(fmt.Sprintf("document.querySelector('#watching').textContent.startsWith('%d ')", at.state.Watching))
			w.Usable("page-" + at.name)
			if title := browser.Value[string](w, "document.title"); title != "Fettle: the bench" {
				t.Errorf("%s: a name was taken for HTML: the title is %q", at.name, title)
			}
		}
	}
}

func TestWhatTheScriptsLookForIsInThePage(t *testing.T) {
	html, err := os.ReadFile(filepath.Join("page", "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	if found := regexp.MustCompile(`(?i)<script>|<style|\sstyle=|\son[a-z]+=`).Find(html); found != nil {
		t.Errorf("index.html has %q, which its own policy forbids", found)
	}
	scripts, err := filepath.Glob(filepath.Join("page", "*.js"))
	if err != nil || len(scripts) == 0 {
		t.Fatal(scripts, err)
	}
	var actions []string
	for _, name := range scripts {
		script, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\bby\("([^"]+)"\)`).FindAllSubmatch(script, -1) {
			if !strings.Contains(string(html), fmt.Sprintf("id=%q", m[1])) {
				t.Errorf("%s looks for %q, which is not in index.html", name, m[1])
			}
		}
		for _, m := range regexp.MustCompile(`\bdo"?: ?"([a-z_]+)"`).FindAllSubmatch(script, -1) {
			actions = append(actions, string(m[1]))
		}
		if found := regexp.MustCompile(`innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b`).Find(script); found != nil {
			t.Errorf("%s uses %s: words go in as text", name, found)
		}
	}
	all := []Action{Beat, Stop, TakeSeat, LeaveSeat, Identify, ReadSome, PlanSet, ApplySet, ResumeBatch, UndoBatch,
		OpenTrial, AgreeToMove, DriveRun, SayOutcome, PassMark, NoteRun, UndoRun, CloseTrial}
	for _, a := range all {
		if !slices.Contains(actions, string(a)) {
			t.Errorf("no script asks for %q", a)
		}
	}
	for _, a := range actions {
		if !slices.Contains(all, Action(a)) {
			t.Errorf("a script asks for %q, which is no action", a)
		}
	}
}

func TestOnlyThePagesOwnFilesAreServed(t *testing.T) {
	for at, kind := range map[string]string{
		"/": "text/html; charset=utf-8", "/page.css": "text/css; charset=utf-8", "/look.css": "text/css; charset=utf-8", "/page.js": "text/javascript; charset=utf-8",
		"/link.js": "text/javascript; charset=utf-8", "/icon.svg": "image/svg+xml", "/page": "", "/../page.go": "", "/page/": "", "/nothing.js": "",
	} {
		answer := httptest.NewRecorder()
		r := httptest.NewRequest("GET", "/", nil)
		r.URL.Path = at
		page().ServeHTTP(answer, r)
		if kind == "" {
			if answer.Code != http.StatusNotFound {
				t.Errorf("%s: status %d, want 404", at, answer.Code)
			}
			continue
		}
		if answer.Code != http.StatusOK || answer.Header().Get("Content-Type") != kind || answer.Body.Len() == 0 {
			t.Errorf("%s: status %d, %s, %d bytes; want 200, %s", at, answer.Code, answer.Header().Get("Content-Type"), answer.Body.Len(), kind)
		}
	}
}

// noted is the bench once the run has been noted: the next one is to be placed.
func noted() State {
	s := inTrial(Placing)
	s.Trial.Run.Number, s.Trial.Made = 4, 3
	return s
}

func TestAnEmergencyStopIsSentWithinThePress(t *testing.T) {
	s, b := set(t), browser.Open(t)
	s.show(inTrial(Moving))
	w := s.open(b, browser.Phone, "#trial")
	w.Wait("!document.querySelector('[data-outcome=stopped]').disabled")
	// What is sent, and how many events have been heard by then, the press itself among them.
	browser.Value[any](w, `window.sent = []; window.send = WebSocket.prototype.send;
		WebSocket.prototype.send = function (text) { window.sent.push([JSON.parse(text).do, window.event?.type ?? '']); window.send.call(this, text) }; null`)
	stops := func() [][]string {
		return browser.Value[[][]string](w, "window.sent.splice(0).filter(s => s[0] !== 'beat')")
	}
	w.Click("#stop")
	s.asked(Stop)
	if got := stops(); len(got) != 1 || got[0][1] != "pointerdown" {
		t.Errorf("sent %v, want one stop, within pointerdown", got)
	}
	w.Wait("document.querySelector('#stop-words').textContent === 'Stop heard: the track is not off yet'")
	for _, key := range []string{"Escape", " "} {
		browser.Value[any](w, "document.querySelector('[data-outcome=overran]').focus(); null")
		w.Keys(map[string]string{"Escape": "\x1b", " ": " "}[key])
		s.asked(Stop)
		if got := stops(); len(got) != 1 || got[0][1] != "keydown" {
			t.Errorf("%q: sent %v, want one stop and no press of the button that has the focus", key, got)
		}
	}
	s.show(inTrial(Noting))
	w.Wait("document.activeElement.id === 'stop-mm'")
	w.Type("#note", "lights out")
	if got := stops(); len(got) != 0 {
		t.Errorf("sent %v for a space that was typed in a field", got)
	}
	browser.Value[any](w, "document.querySelector('#stop').click(); null") // as a screen reader does
	s.asked(Stop)
	w.Wait("document.querySelector('#stop-words').textContent === 'Stopped: the track is off'")
	s.show(inTrial(Moving))
	w.Wait("document.querySelector('#stop-words').textContent === 'Emergency stop'")
}

func TestWhatIsTypedIsKeptUntilTheBenchHasIt(t *testing.T) {
	s, b := set(t), browser.Open(t)
	s.show(inTrial(Noting))
	w := s.open(b, browser.Phone, "#trial")
	w.Wait("document.activeElement.id === 'stop-mm'")
	for _, key := range []string{"1", "2", "3", "4"} {
		w.Click(fmt.Sprintf("#pad button:nth-child(%s)", key))
	}
	w.Click("[data-by='-10']")
	w.Type("#note", "wheels slipped")
	w.Wait("document.querySelector('#section').getAttribute('aria-valuetext') === '1224 mm past the trigger'")

	w.Go(s.web.URL + "/?again#trial") // the page is opened anew
	w.Wait("document.querySelector('#stop-mm').value === '1224' && document.querySelector('#note').value === 'wheels slipped'")

	s.answer = func(o Order) Answer { return Answer{} } // the bench does not answer, and the link goes
	w.Click("#save")
	first := s.asked(NoteRun)
	w.Allow("WebSocket")
	s.cut(false)
	w.Wait("document.querySelector('#lost-words').textContent.includes('is sent again')")
	w.Usable("lost")
	s.mu.Lock()
	s.gone, s.answer = false, nil
	s.mu.Unlock()
	again := s.asked(NoteRun)
	if again != first || first.StopMM != 1224 || first.Note != "wheels slipped" || first.Run != 3 {
		t.Errorf("sent %+v, then %+v: want the same, with what was typed of run 3", first, again)
	}
	s.show(noted())
	w.Wait("document.querySelector('#run-head').textContent === 'Run 4 of 30' && !document.querySelector('#drive').disabled")
	if kept := browser.Value[string](w, "localStorage.getItem('fettle run') ?? ''"); kept != "" {
		t.Errorf("still kept, though the bench has it: %s", kept)
	}
}

func TestWhatMovesSomethingIsNeverSentAgain(t *testing.T) {
	s, b := set(t), browser.Open(t)
	s.answer = func(Order) Answer { return Answer{} } // never answered
	s.show(inTrial(Placing))
	w := s.open(b, browser.Desktop, "#trial")
	w.Wait("!document.querySelector('#drive').disabled")
	w.Click("#drive")
	s.asked(DriveRun)
	w.Allow("WebSocket")
	s.cut(false)
	w.Wait("!document.querySelector('#lost').hidden && document.querySelector('#drive').disabled")
	w.Click("#stop")
	w.Wait("document.querySelector('#stop-words').textContent.startsWith('No link')")
	s.mu.Lock()
	s.gone, s.answer = false, nil
	s.mu.Unlock()
	s.asked(Stop) // and not the drive, which is the older one
	w.Wait("document.querySelector('#stop-words').textContent === 'Stopped: the track is off'")
	if n := len(s.orders); n > 0 {
		t.Errorf("%v was sent too", <-s.orders)
	}
}

func TestWhoWatchesDrivesNothingAndMayStop(t *testing.T) {
	s, b := set(t), browser.Open(t)
	taken := inTrial(Moving)
	taken.Seat, taken.Watching = Taken, 2
	s.show(taken)
	w := s.open(b, browser.Phone, "#trial")
	if on := browser.Value[[]string](w, "[...document.querySelectorAll('[data-drives], [data-types]')].filter(e => !e.disabled).map(e => e.outerHTML)"); len(on) > 0 {
		t.Errorf("can be pressed without the seat: %q", on)
	}
	w.Click("#stop")
	s.asked(Stop)
	free := quiet()
	free.Seat = Free
	s.show(free)
	w.Click("#seat-take")
	s.asked(TakeSeat)
}

func TestACopyOfThePageTakesANameOfItsOwn(t *testing.T) {
	s, b := set(t), browser.Open(t)
	w := s.open(b, browser.Desktop, "")
	w.Allow("WebSocket")
	s.mu.Lock()
	first := s.came[0]
	_ = s.socket.Close(replaced, "another window has come with this name")
	s.mu.Unlock()
	w.Wait(fmt.Sprintf("sessionStorage.getItem('fettle window') !== '\"%s\"'", first))
	w.Wait("document.querySelector('#lost').hidden")
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.came) != 2 || s.came[1] == first || len(s.came[1]) != 32 {
		t.Errorf("came as %q, want two names of 32 figures that differ", s.came)
	}
}

func TestADoubleTapDrivesNothing(t *testing.T) {
	s, b := set(t), browser.Open(t)
	w := s.open(b, browser.Phone, "#trial")
	browser.Value[any](w, `new MutationObserver(() => { window.early ??= !document.querySelector('#drive').disabled })
		.observe(document.querySelector('#placing'), {attributes: true}); null`)
	s.show(inTrial(Placing))
	w.Wait("!document.querySelector('#drive').disabled && document.activeElement.id === 'drive'")
	if browser.Value[bool](w, "window.early") {
		t.Error("what drives could be pressed at the moment it appeared")
	}
}
