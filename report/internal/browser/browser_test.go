package browser

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
)

// serve answers each path with a page of the body that is given.
func serve(t *testing.T, bodies map[string]string) string {
	t.Helper()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, ok := bodies[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", "img-src 'self' data:")
		_, _ = w.Write([]byte(`<!DOCTYPE html><html lang="en"><meta name="viewport" content="width=device-width, initial-scale=1">` +
			`<link rel="icon" href="data:,"><title>A page</title>` + body))
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestAPageThatAllCanUseHasNoViolationsAndNothingToComplainOf(t *testing.T) {
	address := serve(t, map[string]string{"/": `<style>:root { color-scheme: light dark }</style>
		<main><h1>Track</h1><button style="height:44px; width:100px">Go</button></main>`})
	b := Open(t)
	for _, s := range []Shape{Phone, DesktopDark} {
		w := b.Window(s)
		w.Go(address)
		w.Usable("clean")
		for _, c := range w.Complaints() {
			t.Errorf("%s: %s", s.Name, c)
		}
	}
}

func TestWhatKeepsSomebodyOutIsFound(t *testing.T) {
	const start = `<main><h1>Track</h1>`
	b := Open(t)
	for _, c := range []struct {
		name, body, want string
		shape            Shape
	}{
		{"no name", start + `<button style="height:44px; width:100px"></button>`, "button-name", Desktop},
		{"dark only", `<style>@media (prefers-color-scheme: dark) { body { background: #000; color: #333 } }</style>` + start + `<p>Words</p>`, "in the other colours: color-contrast", Desktop},
		{"small", start + `<button style="height:30px; width:100px">Go</button>`, "too small for a finger: 100 x 30 px", Phone},
		{"wide", start + `<div style="width:500px">Words</div>`, "px wide in a window of 360 px", Phone},
		{"wide with large text", start + `<div style="width:15rem">Words</div>`, "in a window of 360 px with text of twice the size", Phone},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := b.Window(c.shape)
			w.Go(serve(t, map[string]string{"/": c.body}))
			found := w.Violations(c.name)
			if !slices.ContainsFunc(found, func(v string) bool { return strings.Contains(v, c.want) }) {
				t.Errorf("found %q, want one with %q", found, c.want)
			}
		})
	}
}

func TestWhatThePageComplainsOfIsHeardOnceUnlessItIsAllowed(t *testing.T) {
	address := serve(t, map[string]string{
		"/": `<img alt="" src="missing.png"><img alt="" src="http://127.0.0.2/foreign.png">
			<script>console.error('broken', 7); setTimeout(() => { throw Error('thrown') })</script>`,
		"/quiet": `<script>console.error('broken')</script>`,
	})
	w := Open(t).Window(Desktop)
	w.Go(address)
	Value[any](w, "new Promise(r => setTimeout(r, 100))") // lets the script throw
	heard := strings.Join(w.Complaints(), "\n")
	for _, want := range []string{"broken", "thrown", "missing.png", "Content Security Policy"} {
		if !strings.Contains(heard, want) {
			t.Errorf("not heard: %s, of\n%s", want, heard)
		}
	}
	if again := w.Complaints(); again != nil {
		t.Errorf("heard twice: %q", again)
	}
	w.Allow("broken")
	w.Go(address + "/quiet")
	if heard := w.Complaints(); heard != nil {
		t.Errorf("heard although it is allowed: %q", heard)
	}
}

func TestAHandPressesWhatIsThereOnceItCanBePressed(t *testing.T) {
	address := serve(t, map[string]string{"/": `<div style="height:3000px"></div>
		<button id="late" disabled>Late</button><input id="field" aria-label="Field"><p id="hidden" hidden>Hidden</p>
		<div id="scale" style="width:200px; height:50px"></div>
		<script>
			const presses = []
			document.addEventListener('click', e => presses.push(e.target.id + ' ' + e.pointerType))
			scale.addEventListener('pointerdown', e => presses.push(Math.round(e.offsetX) + ' right, ' + Math.round(e.offsetY) + ' down'))
			setTimeout(() => late.disabled = false, 100)
		</script>`})
	b := Open(t)
	for _, c := range []struct {
		shape Shape
		by    string
	}{{Phone, "touch"}, {Desktop, "mouse"}} {
		w := b.Window(c.shape)
		w.Go(address)
		w.Click("#late")
		w.ClickAt("#scale", 0.75, 0.4)
		w.Type("#field", "42 mm")
		w.Wait("field.value === '42 mm'")
		got := Value[[]string](w, "presses")
		want := []string{"late " + c.by, "150 right, 20 down", "scale " + c.by, "field " + c.by}
		if !slices.Equal(got, want) {
			t.Errorf("%s: pressed %q, want %q", c.shape.Name, got, want)
		}
		if text := w.Text("#hidden"); text != "" {
			t.Errorf("%s: sees %q, which is hidden", c.shape.Name, text)
		}
	}
}

func TestAPrintHasAsManyPagesAsItBreaksInto(t *testing.T) {
	w := Open(t).Window(Desktop)
	w.Go(serve(t, map[string]string{"/": strings.Repeat(`<p style="break-after: page">Words</p>`, 3) + `<p>The last</p>`}))
	if got := Pages(w.PDF()); got != 4 {
		t.Errorf("%d pages, want 4", got)
	}
}

func TestAStrangerSharesNoCookieAndASecondWindowDoes(t *testing.T) {
	b, address := Open(t), serve(t, map[string]string{"/": `<p>Words</p>`})
	first, second, stranger := b.Window(Desktop), b.Window(Phone), b.Stranger(Phone)
	first.Go(address)
	Value[any](first, "document.cookie = 'seat=mine'; null")
	second.Go(address)
	stranger.Go(address)
	if got := Value[string](second, "document.cookie"); got != "seat=mine" {
		t.Errorf("the second window has the cookie %q", got)
	}
	if got := Value[string](stranger, "document.cookie"); got != "" {
		t.Errorf("a stranger has the cookie %q", got)
	}
}

func TestAPageThatIsLeftBeforeItAnswersIsNotTheOneAsked(t *testing.T) {
	w := Open(t).Window(Phone)
	w.Go(serve(t, map[string]string{
		"/":     `<p>The gate<script>setTimeout(() => location.replace('/yard'), 300)</script>`,
		"/yard": `<p>The yard`,
	}))
	if got := Value[string](w, "location.pathname === '/' ? new Promise(() => {}) : location.pathname"); got != "/yard" {
		t.Errorf("the answer came from %s, want /yard", got)
	}
}
