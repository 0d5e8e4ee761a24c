package serve

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/report/internal/browser"
	"fettle/station"
	"fettle/trial"
)

// line is the way from a browser to a server, which can be cut.
type line struct {
	net.Listener
	to string

	mu   sync.Mutex
	cut  bool // it takes nobody
	deaf bool // what the server says is lost
	mute bool // what the browser says is lost
	ends map[net.Conn]bool
}

// newLine is a way to an address that is not known yet.
func newLine(t *testing.T) *line {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &line{Listener: listener, ends: map[net.Conn]bool{}}
	t.Cleanup(func() {
		l.Cut()
		_ = listener.Close() // ends carry
	})
	return l
}

// carry carries until the line is closed.
func (l *line) carry() {
	for {
		near, err := l.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", l.to)
		if err != nil {
			_ = near.Close()
			continue
		}
		l.mu.Lock()
		l.ends[near], l.ends[far] = true, true
		gone := l.cut
		l.mu.Unlock()
		if gone {
			l.drop(near, far)
			continue
		}
		go func() {
			defer l.drop(near, far)
			_, _ = io.Copy(unless{far, l, &l.mute}, near)
		}()
		go func() {
			defer l.drop(near, far)
			_, _ = io.Copy(unless{near, l, &l.deaf}, far)
		}()
	}
}

// unless passes on what is said, unless it is lost.
type unless struct {
	net.Conn
	l    *line
	lost *bool
}

func (u unless) Write(p []byte) (int, error) {
	u.l.mu.Lock()
	lost := *u.lost
	u.l.mu.Unlock()
	if lost {
		return len(p), nil
	}
	return u.Conn.Write(p)
}

func (l *line) drop(ends ...net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range ends {
		_ = c.Close()
		delete(l.ends, c)
	}
}

// Cut ends what is open, and lets nothing through.
func (l *line) Cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = true
	for c := range l.ends {
		_ = c.Close()
	}
}

// Lose loses, from now on, what the server says, or else what the browser says.
func (l *line) Lose(server bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.deaf, l.mute = server, !server
}

// Mend lets all through again.
func (l *line) Mend() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut, l.deaf, l.mute = false, false, false
}

// house is a server with a way to it.
type house struct {
	*Server
	*line
	folder  string
	address string
}

// shown serves a station and files to browsers.
func shown(t *testing.T, s station.Station, files map[string]string, token string, silence time.Duration) *house {
	t.Helper()
	h := &house{line: newLine(t), folder: t.TempDir()}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(h.folder, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var err error
	h.Server, err = New(Options{Station: s, Folder: h.folder, Silence: silence, Hosts: []string{h.Addr().String()}, Token: token, Pace: 30,
		Version: "of a test"})
	if err != nil {
		t.Fatal(err)
	}
	behind := httptest.NewServer(h.Handler())
	t.Cleanup(behind.Close)
	t.Cleanup(func() {
		if err := h.Server.Close(); err != nil {
			t.Errorf("close the server: %v", err)
		}
	})
	h.to = behind.Listener.Addr().String()
	h.address = "http://" + h.Addr().String() + "/"
	go h.carry()
	return h
}

// now is what the bench has to show.
func (h *house) now() State {
	h.Server.mu.Lock()
	defer h.Server.mu.Unlock()
	return h.state
}

// drives opens the page, and takes the seat.
func (h *house) drives(w *browser.Window) {
	w.Go(h.address)
	w.Click("#seat-take")
	w.Wait("!document.querySelector('#identify').disabled")
}

// opens opens the trial, and comes to where the first run is to be placed.
func (h *house) opens(w *browser.Window) {
	w.Click("#to-trial")
	w.Click("#trials button")
	w.Click("#agree")
	w.Wait("document.querySelector('#drive').checkVisibility()")
}

// moves sends the run at hand off, until its vehicle is on its way.
func (h *house) moves(t *testing.T, w *browser.Window) {
	t.Helper()
	w.Click("#drive")
	h.until(t, "a vehicle on its way", func(s State) bool { return s.Trial.View != nil && s.Trial.View.SpeedMMS > 0 })
}

// stops waits until the vehicle stands, and says so.
func (h *house) stops(t *testing.T, w *browser.Window) {
	t.Helper()
	h.until(t, "a vehicle that stands", func(s State) bool { return s.Trial.View.PastMM > 0 && s.Trial.View.SpeedMMS == 0 })
	w.Click("[data-outcome=stopped]")
	w.Wait("document.querySelector('#save').checkVisibility()")
}

func (h *house) until(t *testing.T, what string, is func(State) bool) {
	t.Helper()
	for deadline := time.Now().Add(45 * time.Second); !is(h.now()); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			s, err := json.Marshal(h.now())
			t.Fatalf("waited in vain for %s; the bench shows %s, %v", what, s, err)
		}
	}
}

// The states of the page, one by one, are examined in page_test.go; here those that take the whole bench to come to.
var shapes = []browser.Shape{browser.Phone, browser.Desktop}

func TestASetIsReadPlannedAppliedAndPutBackByHand(t *testing.T) {
	b := browser.Open(t)
	for _, shape := range shapes {
		h := shown(t, on(t, "tram-3"), map[string]string{"soft.toml": "title = \"Soft <b>start</b>\"\n[registers]\n3 = 12\n4 = 10\n"}, "", 30*time.Second)
		w := b.Window(shape)
		w.Go(h.address)
		w.Wait("document.querySelector('#seat-take').checkVisibility()")
		w.Picture("nobody drives")
		w.Click("#seat-take")

		w.Click("#identify")
		w.Wait("document.querySelector('#identity').innerText.includes('13')")
		w.Type("#registers", "1 3 4 29")
		w.Keys(kb.Enter)
		w.Wait("document.querySelectorAll('#readings tbody tr').length === 4")
		before := h.now().Readings
		w.Picture("read")

		w.Click("#to-set")
		w.Choose("#set-file", "soft.toml")
		w.Click("#plan")
		w.Click("#apply")
		w.Wait("document.querySelector('#batch-phase').innerText === 'Proven'")
		w.Usable("proven")
		if title := w.Text("#batch-title"); title != "Soft <b>start</b>" {
			t.Errorf("%s: the title is shown as %q", shape.Name, title)
		}
		name := h.now().Batch.Journal
		rec, err := journal.Read(filepath.Join(h.folder, name))
		if err != nil {
			t.Fatal(err)
		}
		if rec.Found[cv.Register{CV: 3}] != 12 || rec.Found[cv.Register{CV: 4}] != 10 {
			t.Errorf("%s: the journal has found %v, want 12 in register 3 and 10 in 4", shape.Name, rec.Found)
		}

		w.Click("#undo-batch")
		w.Wait("document.querySelector('#undo-batch').innerText.includes('again')")
		time.Sleep(600 * time.Millisecond) // a second press that comes sooner is a double tap
		w.Click("#undo-batch")
		h.until(t, "what was there before", func(s State) bool { return s.Batch.Journal != name && s.Doing == "" })
		w.Click("#to-decoder")
		w.Click("#read")
		h.until(t, "four readings", func(s State) bool { return s.Doing == "" && len(s.Readings) == 4 && s.Track == Off })
		for i, r := range h.now().Readings {
			if *r.Value != *before[i].Value {
				t.Errorf("%s: register %s holds %d after all was put back, want %d", shape.Name, r.Register, *r.Value, *before[i].Value)
			}
		}
	}
}

func TestATrialIsMadeByHandToItsVerdict(t *testing.T) {
	b := browser.Open(t)
	for _, shape := range shapes {
		h := shown(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText}, "", 30*time.Second)
		w := b.Window(shape)
		h.drives(w)
		w.Click("#to-trial")
		w.Picture("trials")
		w.Click("#trials button")
		w.Wait("document.querySelector('#agree').checkVisibility()")
		w.Picture("agree")
		w.Click("#agree")
		w.Wait("document.querySelector('#drive').checkVisibility()")
		w.Picture("place")
		h.moves(t, w)
		w.Picture("moving")
		h.stops(t, w)

		// A tap on the drawing fills the field, the keys of the drawing move it, and the number keys fill both.
		seen := browser.Value[string](w, "document.querySelector('#stop-mm').value")
		if stands := h.now().Trial.Run.StopMM; seen != strconv.FormatFloat(stands, 'f', -1, 64) {
			t.Errorf("%s: the field has %q, the bench says %g", shape.Name, seen, stands)
		}
		w.ClickAt("#section", 0.5, 0.5)
		tapped := browser.Value[int](w, "Number(document.querySelector('#stop-mm').value)")
		if tapped < 600 || tapped > 1000 { // the middle of a drawing of -288 to 1890 mm is 801 mm
			t.Errorf("%s: a tap on the middle of the drawing is %d mm", shape.Name, tapped)
		}
		browser.Value[any](w, "document.querySelector('#section').focus(); null")
		w.Keys(kb.ArrowRight)
		w.Wait(fmt.Sprintf("document.querySelector('#section').getAttribute('aria-valuenow') === '%d'", tapped+1))
		w.Picture("note")
		w.Click("#stop-mm")
		for _, figure := range seen {
			w.Click(fmt.Sprintf("#pad button:nth-child(%d)", strings.IndexRune("123456789.0", figure)+1))
		}
		w.Wait(fmt.Sprintf("document.querySelector('#stop-mm').value === '%s'", seen))
		w.Type("#note", "lights <i>on</i>")
		w.Click("#save")
		w.Wait("document.querySelector('#trial-made').innerText.startsWith('1 of 2')")

		h.moves(t, w)
		h.stops(t, w)
		w.Click("#save")
		w.Wait("document.querySelector('#finished').checkVisibility()")
		w.Wait("document.querySelector('#plot img')?.naturalWidth > 0")
		w.Usable("done")
		if word := w.Text("#verdict-word"); word == "" {
			t.Errorf("%s: no verdict is seen", shape.Name)
		}

		tr, err := trial.Parse("quay-2.toml", []byte(trialText))
		if err != nil {
			t.Fatal(err)
		}
		book, err := trial.OpenBook(filepath.Join(h.folder, "quay-2.runs.csv"), tr)
		if err != nil {
			t.Fatal(err)
		}
		if book.Made() != 2 || book.Runs[0].Note != "lights <i>on</i>" || fmt.Sprint(float64(book.Runs[0].Stop)) != seen {
			t.Errorf("%s: the file of runs has %+v, want two runs, the first of which stopped at %s mm", shape.Name, book.Runs, seen)
		}

		w.Click("footer a[href=evidence]")
		w.Wait("document.querySelector('h1') && location.pathname === '/evidence'")
		if !strings.Contains(w.Text("body"), "Night-mail engine 30, quay section 2") {
			t.Errorf("%s: the page of evidence does not speak of the trial", shape.Name)
		}
	}
}

// sends is a script that keeps, of each order that is sent, which event of the page is being handled, where that was, and how long ago it
// was made.
const sends = `window.sends = []
	const send = WebSocket.prototype.send
	WebSocket.prototype.send = function (data) {
		const e = window.event
		window.sends.push({do: JSON.parse(data).do, event: e?.type ?? '', bar: Boolean(e?.target?.closest?.('#stop')), ms: e ? performance.now() - e.timeStamp : 0})
		return send.call(this, data)
	}`

func TestAnEmergencyStopIsSentInTheVeryEventOfThePress(t *testing.T) {
	h := shown(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText}, "", 30*time.Second)
	b := browser.Open(t)
	focus := func(selector string) func(w *browser.Window) {
		return func(w *browser.Window) { browser.Value[any](w, "document.querySelector('"+selector+"').focus(); null") }
	}
	for _, c := range []struct {
		by     string
		shape  browser.Shape
		before func(*browser.Window)
		press  func(*browser.Window)
		event  string
		bar    bool
	}{
		{"a finger on the bar", browser.Phone, nil, func(w *browser.Window) { w.Click("#stop") }, "pointerdown", true},
		{"the mouse on the bar", browser.Desktop, nil, func(w *browser.Window) { w.Click("#stop") }, "pointerdown", true},
		{"Escape", browser.Desktop, nil, func(w *browser.Window) { w.Keys(kb.Escape) }, "keydown", false},
		{"Space", browser.Desktop, nil, func(w *browser.Window) { w.Keys(" ") }, "keydown", false},
		{"Space on a button", browser.Desktop, focus("[data-outcome=stopped]"), func(w *browser.Window) { w.Keys(" ") }, "keydown", false},
		{"Enter on the bar", browser.Desktop, focus("#stop"), func(w *browser.Window) { w.Keys(kb.Enter) }, "click", true},
	} {
		w := b.Window(c.shape)
		w.Before(sends)
		h.drives(w)
		w.Click("#to-trial")
		w.Wait("['#trials button', '#agree', '#drive'].some(s => document.querySelector(s)?.checkVisibility())")
		if browser.Value[bool](w, "document.querySelector('#trials button')?.checkVisibility() ?? false") {
			w.Click("#trials button")
		}
		w.Wait("document.querySelector('#agree').checkVisibility() || document.querySelector('#drive').checkVisibility()")
		if w.Text("#agree") != "" {
			w.Click("#agree")
		}
		h.moves(t, w)
		if c.before != nil {
			w.Wait("!document.querySelector('[data-outcome=stopped]').disabled")
			c.before(w)
		}
		c.press(w)
		h.until(t, "a track that is off", func(s State) bool { return s.Track == Off })
		w.Wait("document.querySelector('#stop-words').innerText.startsWith('Stopped')")
		if s := h.now(); s.Trial.Phase == Moving || s.Trial.Made != 0 {
			t.Errorf("%s: after the stop the trial is in %s with %d runs made, want none", c.by, s.Trial.Phase, s.Trial.Made)
		}
		var stops []string
		var took float64
		type sent struct {
			Do, Event string
			Bar       bool
			MS        float64
		}
		for _, s := range browser.Value[[]sent](w, "window.sends.filter(s => s.do === 'stop')") {
			stops = append(stops, fmt.Sprintf("in %s, on the bar: %v", s.Event, s.Bar))
			took = s.MS
		}
		if want := fmt.Sprintf("in %s, on the bar: %v", c.event, c.bar); len(stops) != 1 || stops[0] != want {
			t.Errorf("%s: stops were sent %q, want one %s", c.by, stops, want)
		}
		t.Logf("%s: the stop was sent %.1f ms after the event was made", c.by, took)
		w.Picture("stopped")
		w.Click("#seat-leave")
		w.Wait("document.querySelector('#seat-take').checkVisibility()")
	}
}

func TestALostLinkTurnsTheTrackOffAndLosesNothingThatWasTyped(t *testing.T) {
	h := shown(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText}, "", 3*time.Second)
	w := browser.Open(t).Window(browser.Phone)
	w.Allow("WebSocket connection to")
	w.Before(sends)
	h.drives(w)
	h.opens(w)

	// While it moves: the bench turns the track off by itself, and the run does not count.
	h.moves(t, w)
	h.Cut()
	w.Wait("document.querySelector('#lost').checkVisibility()")
	h.until(t, "a track that is off", func(s State) bool { return s.Track == Off })
	w.Usable("lost")
	h.Mend()
	w.Wait("!document.querySelector('#lost').checkVisibility() && document.querySelector('#drive').checkVisibility()")
	if s := h.now(); s.Trial.Made != 0 || s.Trial.Run.Number != 1 {
		t.Errorf("after a run without a link %d runs are made, and it is the turn of run %d", s.Trial.Made, s.Trial.Run.Number)
	}

	// While it is noted: what was typed is there when the page is opened anew.
	h.moves(t, w)
	h.stops(t, w)
	w.Type("#note", "wet rails")
	h.Cut()
	w.Wait("document.querySelector('#lost').checkVisibility() && document.querySelector('#save').disabled")
	w.Type("#note", ", sand")
	h.Mend()
	w.Wait("!document.querySelector('#save').disabled")
	w.Go(h.address + "#trial")
	w.Wait("document.querySelector('#note').value === 'wet rails, sand' && !document.querySelector('#save').disabled")

	// A run that was saved, though the answer was lost, is sent again, and saved once.
	const notes = "window.sends.filter(s => s.do === 'note').length"
	h.Lose(true)
	w.Click("#save")
	h.until(t, "a run that is made", func(s State) bool { return s.Trial.Made == 1 })
	h.Cut()
	w.Wait("document.querySelector('#lost').checkVisibility()")
	h.Mend()
	w.Wait("document.querySelector('#run-head').innerText.startsWith('Run 2') && document.querySelector('#drive').checkVisibility()")
	if sent := browser.Value[int](w, notes); sent != 2 {
		t.Errorf("the run was sent %d times, want it again after the link was back", sent)
	}
	if s := h.now(); s.Trial.Made != 1 || s.Trial.Runs[0].Note != "wet rails, sand" {
		t.Errorf("%d runs are made, the first with the note %q; want one with what was typed", s.Trial.Made, s.Trial.Runs[0].Note)
	}

	// One that was lost on its way is saved as soon as the link is back.
	h.moves(t, w)
	h.stops(t, w)
	h.Lose(false)
	w.Click("#save")
	w.Wait(notes + " === 3")
	h.Cut()
	w.Wait("document.querySelector('#lost').checkVisibility()")
	if s := h.now(); s.Trial.Made != 1 {
		t.Fatalf("%d runs are made though the second one was lost on its way", s.Trial.Made)
	}
	h.Mend()
	h.until(t, "the second run", func(s State) bool { return s.Trial.Made == 2 })
}

func TestASecondWindowSeesAllDrivesNothingAndStops(t *testing.T) {
	h := shown(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText}, "", 30*time.Second)
	b := browser.Open(t)
	driver, other := b.Window(browser.Desktop), b.Window(browser.Phone)
	h.drives(driver)
	other.Go(h.address)
	h.opens(driver)
	other.Wait("document.querySelector('#drive').checkVisibility()")
	if on := browser.Value[[]string](other, "[...document.querySelectorAll('[data-drives]:enabled')].map(e => e.id)"); len(on) != 0 {
		t.Errorf("a window that watches can press %q", on)
	}
	if text := other.Text("#seat-take"); text != "" {
		t.Errorf("a window that watches is offered %q while another drives", text)
	}
	other.Picture("watching")
	h.moves(t, driver)
	other.Click("#stop")
	h.until(t, "a track that is off", func(s State) bool { return s.Track == Off })
	driver.Wait("document.querySelector('#track-words').innerText === 'Track off'")
	driver.Click("#seat-leave")
	other.Click("#seat-take")
	other.Wait("document.querySelector('#seat-leave').checkVisibility()")
	driver.Wait("document.querySelector('#seat-words').innerText.startsWith('Another window drives')")
}

func TestWithoutTheTokenNobodyComesInAndWithItOnce(t *testing.T) {
	h := shown(t, on(t, "tram-3"), nil, "0123456789abcdef0123456789abcdef", 5*time.Second)
	b := browser.Open(t)
	stranger := b.Stranger(browser.Phone)
	stranger.Allow("403") // refused is an error of the load
	for _, path := range []string{"", "live", "evidence", "page.js", "?token=0123456789abcdef0123456789abcdee"} {
		if status := stranger.Status(h.address + path); status != http.StatusForbidden {
			t.Errorf("/%s: status %d for a stranger, want %d", path, status, http.StatusForbidden)
		}
	}
	guest := b.Stranger(browser.Phone)
	guest.Go(h.address + "?token=0123456789abcdef0123456789abcdef")
	guest.Click("#seat-take")
	guest.Wait("document.querySelector('#seat-leave').checkVisibility()")
	if at := browser.Value[string](guest, "location.href"); strings.Contains(at, "token") {
		t.Errorf("the token is still in the address: %s", at)
	}
	if seen := browser.Value[string](guest, "document.cookie"); seen != "" {
		t.Errorf("a script sees the cookie: %q", seen)
	}
}

// foreign is the page of another site, on the same machine, that tries each way to a bench at the address that is put in.
const foreign = `<!DOCTYPE html><html lang="en"><title>Elsewhere</title><link rel="icon" href="data:,"><iframe id="frame" src="%[1]s"></iframe><script>
	const tries = {
		socket: new Promise(settle => {
			const socket = new WebSocket('%[1]slive?window=' + '0'.repeat(32))
			socket.onopen = () => settle('open')
			socket.onerror = () => settle('refused')
		}),
		read: fetch('%[1]s').then(() => 'read', () => 'refused'),
		sent: fetch('%[1]s', {method: 'POST', mode: 'no-cors', body: '{"id":1,"do":"take_seat"}'}).then(() => 'gone out', () => 'refused'),
		framed: new Promise(settle => {
			frame.onload = () => { try { settle(frame.contentDocument.title) } catch { settle('refused') } }
		}),
	}
	const found = async () => Object.fromEntries(await Promise.all(Object.entries(tries).map(async ([k, v]) => [k, await v])))
</script>`

func TestThePageOfAnotherSiteReachesNothing(t *testing.T) {
	h := shown(t, on(t, "tram-3"), nil, "0123456789abcdef0123456789abcdef", 5*time.Second)
	elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprintf(w, foreign, h.address)
	}))
	t.Cleanup(elsewhere.Close)
	b := browser.Open(t)
	guest := b.Window(browser.Desktop)
	guest.Go(h.address + "?token=0123456789abcdef0123456789abcdef") // so that this browser has the cookie
	guest.Wait("document.querySelector('#watching')?.innerText === '1 window open.'")
	w := b.Window(browser.Desktop)
	w.Allow("") // it is refused all that it tries
	w.Go(elsewhere.URL)
	found := browser.Value[map[string]string](w, "found()")
	for _, try := range []string{"socket", "read", "framed"} {
		if found[try] != "refused" {
			t.Errorf("%s: %q, want it refused", try, found[try])
		}
	}
	h.Server.mu.Lock()
	defer h.Server.mu.Unlock()
	if open, driver := h.windows.open(), h.windows.driver; open != 1 || driver != "" {
		t.Errorf("%d windows are open, and %q drives; want the one that came with the token, and nobody", open, driver)
	}
}
