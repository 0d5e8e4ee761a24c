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

// Which rules of axe-core are run: all, those of good practice and of the size of targets too; or those of colours. Preloading is off since a
// page that loads nothing forbids it.
const (
	examine   = `axe.run(document, {resultTypes: ['violations'], preload: false, %s}).then(r => r.violations)`
	allRules  = `rules: {'target-size': {enabled: true}}`
	ofColours = `runOnly: ['color-contrast', 'link-in-text-block']`
)

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

// broken says, in words, which of the rules the page breaks, and where.
func (w *Window) broken(rules string) (said []string) {
	w.t.Helper()
	if !Value[bool](w, "!!window.axe") {
		Value[any](w, w.axe()+"; null")
	}
	for _, f := range Value[[]finding](w, fmt.Sprintf(examine, rules)) {
		for _, n := range f.Nodes {
			said = append(said, fmt.Sprintf("%s: %s: %s: %s", f.ID, f.Help, clip(n.HTML), strings.ReplaceAll(n.Summary, "\n", " ")))
		}
	}
	return said
}

// Violations says, in words, where the page as it is shows itself to somebody only: each violation that axe-core finds, and what can't be told from
// its ground in the other colours, light or dark; on a telephone each target below 44 px; and whether the page is wider than its window, as
// it is or with text of twice the size. Pictures of each are left under the name of the state that the page is in.
func (w *Window) Violations(state string) []string {
	w.t.Helper()
	w.Picture(state)
	said := w.broken(allRules)
	if w.Shape.Touch {
		for _, s := range Value[[]string](w, small) {
			said = append(said, "too small for a finger: "+s)
		}
	}
	said = append(said, w.tooWide("")...)

	dark := w.Shape.Dark
	w.Dark(!dark)
	w.Picture(state)
	for _, s := range w.broken(ofColours) {
		said = append(said, "in the other colours: "+s)
	}
	w.Dark(dark)

	size := Value[string](w, "document.documentElement.style.fontSize")
	w.textOf("200%")
	w.Picture(state + "-large")
	said = append(said, w.tooWide(" with text of twice the size")...)
	w.textOf(size)
	return said
}

// textOf has text in the size of a CSS value.
func (w *Window) textOf(size string) {
	w.t.Helper()
	quoted, err := json.Marshal(size)
	if err != nil {
		w.t.Fatal(err)
	}
	Value[any](w, fmt.Sprintf("document.documentElement.style.fontSize = %s; null", quoted))
}

// tooWide says whether the page is wider than its window.
func (w *Window) tooWide(when string) []string {
	w.t.Helper()
	if wide := Value[float64](w, "document.documentElement.scrollWidth"); wide > float64(w.Shape.Width) {
		return []string{fmt.Sprintf("the page is %g px wide in a window of %d px%s", wide, w.Shape.Width, when)}
	}
	return nil
}

// Usable fails the test for each of Violations.
func (w *Window) Usable(state string) {
	w.t.Helper()
	for _, v := range w.Violations(state) {
		w.t.Errorf("%s, %s: %s", state, w.Shape.Name, v)
	}
}
