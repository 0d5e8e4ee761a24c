package browser

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// axe reads the script of axe-core, which make tools puts beside this file: it is not ours to keep.
func (w *Window) axe() string {
	w.t.Helper()
	_, here, _, ok := runtime.Caller(0)
	if !ok {
		w.t.Fatal("axe-core: where this file is, is not known")
	}
	script, err := os.ReadFile(filepath.Join(filepath.Dir(here), "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		w.t.Fatalf("read axe-core (make tools installs it): %v", err)
	}
	return string(script)
}

// finding is a rule that some elements of a page break.
type finding struct {
	ID    string `json:"id"`
	Help  string `json:"help"`
	Nodes []struct {
		HTML    string `json:"html"`
		Summary string `json:"failureSummary"`
	} `json:"nodes"`
}

// examine runs all rules of axe-core, those of good practice and of the size of targets too. Preloading is off since a page that loads nothing
// forbids it.
const examine = `axe.run(document, {resultTypes: ['violations'], preload: false, rules: {'target-size': {enabled: true}}}).then(r => r.violations)`

// small finds what a finger would miss: whatever can be pressed and is less than 44 px wide or high, but for links in running text.
const small = `(() => {
	const missed = []
	for (const e of document.querySelectorAll('button, input, select, textarea, summary, a[href], [role=button], [role=slider]')) {
		if (!e.checkVisibility({visibilityProperty: true}) || e.matches('svg *')) continue
		if (e.matches('a') && ['inline', 'inline-block'].includes(getComputedStyle(e).display)) continue
		const pressed = e.matches('input[type=checkbox], input[type=radio]') && e.labels[0] || e
		const box = pressed.getBoundingClientRect()
		if (box.right <= 0 || box.bottom <= -scrollY) continue // shown only once it has the focus
		if (box.width < 44 || box.height < 44) missed.push(Math.round(box.width) + ' x ' + Math.round(box.height) + ' px: ' + e.outerHTML.slice(0, 120))
	}
	return missed
})()`

// Violations says, in words, where the page as it is shows itself to somebody only: each violation that axe-core finds; on a telephone
// each target below 44 px; and whether the page is wider than its window.
func (w *Window) Violations() []string {
	w.t.Helper()
	if !Value[bool](w, "!!window.axe") {
		Value[any](w, w.axe()+"; null")
	}
	var said []string
	for _, f := range Value[[]finding](w, examine) {
		for _, n := range f.Nodes {
			said = append(said, fmt.Sprintf("%s: %s: %s: %s", f.ID, f.Help, clip(n.HTML), strings.ReplaceAll(n.Summary, "\n", " ")))
		}
	}
	if w.Shape.Touch {
		for _, s := range Value[[]string](w, small) {
			said = append(said, "too small for a finger: "+s)
		}
	}
	if wide := Value[float64](w, "document.documentElement.scrollWidth"); wide > float64(w.Shape.Width) {
		said = append(said, fmt.Sprintf("the page is %g px wide in a window of %d px", wide, w.Shape.Width))
	}
	return said
}

// Usable fails the test for each of Violations, in light and in dark, and again with text of twice the size. The state is the page's, in words.
func (w *Window) Usable(state string) {
	w.t.Helper()
	was := w.Shape.Dark
	for _, dark := range []bool{!was, was} {
		w.Dark(dark)
		w.Picture(state)
		for _, v := range w.Violations() {
			w.t.Errorf("%s, %s, dark %v: %s", state, w.Shape.Name, dark, v)
		}
	}
	size := Value[string](w, "document.documentElement.style.fontSize")
	Value[any](w, "document.documentElement.style.fontSize = '200%'; null")
	w.Picture(state + "-large")
	if wide := Value[float64](w, "document.documentElement.scrollWidth"); wide > float64(w.Shape.Width) {
		w.t.Errorf("%s, %s, text of 200 %%: the page is %g px wide in a window of %d px", state, w.Shape.Name, wide, w.Shape.Width)
	}
	quoted, err := json.Marshal(size)
	if err != nil {
		w.t.Fatal(err)
	}
	Value[any](w, fmt.Sprintf("document.documentElement.style.fontSize = %s; null", quoted))
}
