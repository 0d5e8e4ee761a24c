// Package browser opens our pages in Debian's Chromium, for tests: in a window of a telephone or of a desktop, in light or in dark.
//
// [Open] starts a browser of the test's own, with a profile that is gone after it; [Browser.Window] opens a window of it. What a test does
// there it does as a hand would: [Window.Click] presses what can be seen, is enabled, and is not covered. What a page complains of, a
// script's error, a load that failed, a rule of its content security policy that it broke, is a failure of the test, unless the test asks for
// it by [Window.Complaints] or has allowed it by [Window.Allow]. [Window.Violations] asks axe-core whether the page can be used by everybody.
//
// Where FETTLE_PICTURES names a folder, [Window.Picture] leaves pictures there, to be looked at, and so does a test that fails.
package browser

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// patience is how long anything that a test waits for may take. It is long because machines that test are busy; nothing waits for its end.
const patience = 45 * time.Second

// Shape is how a window is seen.
type Shape struct {
	Name          string // for names of tests and pictures
	Width, Height int64  // in CSS pixels
	Touch         bool   // pressed by a finger, not by a mouse
	Dark          bool   // what the reader prefers
}

// The windows that a page has to look well in.
var (
	Phone       = Shape{Name: "phone", Width: 360, Height: 740, Touch: true}
	Desktop     = Shape{Name: "desktop", Width: 1280, Height: 800}
	DesktopDark = Shape{Name: "desktop-dark", Width: 1280, Height: 800, Dark: true}
)

// Browser is a running Chromium.
type Browser struct {
	t   testing.TB
	ctx context.Context
}

// Open starts a browser, and ends it with the test. The test fails where there is none: make tools installs it.
func Open(t testing.TB) *Browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.Flag("disable-lcd-text", true))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium refuses to run as root with it
	}
	allocated, end := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(end)
	ctx, _ := chromedp.NewContext(allocated)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("end Chromium: %v", err)
		}
	})
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start Chromium (make tools installs it): %v", err)
	}
	return &Browser{t, ctx}
}

// Window is a window of a browser. Windows of one browser share its cookies.
type Window struct {
	Shape Shape

	t   testing.TB
	ctx context.Context

	mu         sync.Mutex
	allowed    []string
	complaints []string
}

// Window opens an empty window.
func (b *Browser) Window(s Shape) *Window {
	b.t.Helper()
	return b.window(s)
}

// Stranger opens an empty window that shares nothing with the others, as another browser would.
func (b *Browser) Stranger(s Shape) *Window {
	b.t.Helper()
	return b.window(s, chromedp.WithNewBrowserContext())
}

func (b *Browser) window(s Shape, options ...chromedp.ContextOption) *Window {
	b.t.Helper()
	w := &Window{Shape: s, t: b.t}
	w.ctx, _ = chromedp.NewContext(b.ctx, append(options, chromedp.WithListener(w.hear))...)
	b.t.Cleanup(w.close)
	size := []chromedp.EmulateViewportOption{chromedp.EmulateScale(1)}
	if s.Touch {
		size = []chromedp.EmulateViewportOption{chromedp.EmulateScale(2), chromedp.EmulateMobile, chromedp.EmulateTouch}
	}
	if err := chromedp.Do(w.ctx, chromedp.EmulateViewport(s.Width, s.Height, size...)); err != nil {
		b.t.Fatalf("open a window of %d x %d: %v", s.Width, s.Height, err)
	}
	w.Dark(s.Dark)
	return w
}

// Dark has the reader prefer dark from now on, or light.
func (w *Window) Dark(dark bool) {
	w.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	w.Shape.Dark = dark
	w.do("prefer "+scheme, func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return chromedp.Void{}, err
	})
}

// hear keeps what the page complains of.
func (w *Window) hear(event any) {
	complain := func(format string, args ...any) {
		said := fmt.Sprintf(format, args...)
		w.mu.Lock()
		defer w.mu.Unlock()
		w.complaints = append(w.complaints, said)
	}
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		d := e.ExceptionDetails
		said := d.Text
		if d.Exception != nil {
			said += " " + d.Exception.Description
		}
		complain("script: %s (%s:%d)", said, d.URL, d.LineNumber+1)
	case *runtime.EventConsoleAPICalled:
		if e.Type != runtime.ConsoleAPICalledTypeError && e.Type != runtime.ConsoleAPICalledTypeAssert {
			return
		}
		var said []string
		for _, a := range e.Args {
			said = append(said, string(a.Value)+a.Description)
		}
		complain("console: %s", strings.Join(said, " "))
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError {
			complain("%s: %s (%s)", e.Entry.Source, e.Entry.Text, e.Entry.URL)
		}
	case *network.EventLoadingFailed:
		if !e.Canceled {
			complain("load of a %s: %s %s", e.Type, e.ErrorText, e.BlockedReason)
		}
	}
}

// Allow says what the page may complain of in this test: whatever has the text in it, before or after.
func (w *Window) Allow(text string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.allowed = append(w.allowed, text)
}

// Complaints returns what the page has complained of since the last call, without what is allowed.
func (w *Window) Complaints() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var found []string
next:
	for _, c := range w.complaints {
		for _, a := range w.allowed {
			if strings.Contains(c, a) {
				continue next
			}
		}
		found = append(found, c)
	}
	w.complaints = nil
	return found
}

func (w *Window) close() {
	if w.t.Failed() {
		w.Picture("failed")
	}
	for _, c := range w.Complaints() {
		w.t.Errorf("the page complains, %s: %s", w.Shape.Name, c)
	}
	if err := chromedp.Cancel(w.ctx); err != nil && !errors.Is(err, context.Canceled) {
		w.t.Logf("close a window: %v", err)
	}
}

// do does the steps, and fails the test where one can't be done in time.
func (w *Window) do(attempt string, steps ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		w.t.Fatalf("%s: %s: %v", w.Shape.Name, attempt, err)
	}
}

// Go opens an address, and waits until it is loaded.
func (w *Window) Go(address string) {
	w.t.Helper()
	w.do("open "+address, chromedp.Navigate(address))
}

// Status opens an address and returns the status of the answer.
func (w *Window) Status(address string) int {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	answer, err := chromedp.Run(ctx, chromedp.NavigateResponse(address))
	if err != nil {
		w.t.Fatalf("%s: open %s: %v", w.Shape.Name, address, err)
	}
	return int(answer.Status)
}

// Before runs a script in each page that is opened from now on, before any of the page's own.
func (w *Window) Before(script string) {
	w.t.Helper()
	w.do("run a script before the page's own", func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: script})
		return chromedp.Void{}, err
	})
}

// Value is what an expression of the page's script gives. A promise is waited for. Where the page goes to another one meanwhile, that one is asked.
func Value[T any](w *Window, expression string) T {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	for {
		v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
		if err != nil && gone(err) && ctx.Err() == nil {
			time.Sleep(20 * time.Millisecond)
			continue
		}
		if err != nil {
			w.t.Fatalf("%s: value of %s: %v", w.Shape.Name, clip(expression), err)
		}
		return v
	}
}

// gone says whether a page was left before it could answer. Chromium has no number of its own for that.
func gone(err error) bool {
	return strings.Contains(err.Error(), "Inspected target navigated or closed") ||
		strings.Contains(err.Error(), "Execution context was destroyed")
}

// clip is a text short enough for an error.
func clip(s string) string {
	if len(s) > 200 {
		return s[:200] + "..."
	}
	return s
}

// Wait waits until an expression of the page's script is true.
func (w *Window) Wait(expression string) {
	w.t.Helper()
	deadline := time.Now().Add(patience)
	for !Value[bool](w, "!!("+expression+")") {
		if time.Now().After(deadline) {
			w.t.Fatalf("%s: in %v it never came that %s\nthe page says:\n%s", w.Shape.Name, patience, expression,
				Value[string](w, "document.body.innerText"))
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// Picture leaves a picture of the whole page in the folder that FETTLE_PICTURES names; without one it does nothing.
func (w *Window) Picture(name string) {
	folder := os.Getenv("FETTLE_PICTURES")
	if folder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		scheme := "light"
		if w.Shape.Dark {
			scheme = "dark"
		}
		file := fmt.Sprintf("%s-%s-%d-%s.png", strings.ReplaceAll(w.t.Name(), "/", "-"), name, w.Shape.Width, scheme)
		err = os.WriteFile(filepath.Join(folder, file), png, 0o644)
	}
	if err != nil {
		w.t.Logf("picture %s: %v", name, err)
	}
}
