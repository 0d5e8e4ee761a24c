package report

import (
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fettle/report/internal/browser"
)

// onDisk writes the page of folders to a file, and gives its path.
func onDisk(t *testing.T, folders ...Folder) string {
	t.Helper()
	text, _ := onPage(t, folders...)
	path := filepath.Join(t.TempDir(), "report of 30 %.html")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func fileAddress(path string) string { return (&url.URL{Scheme: "file", Path: path}).String() }

func TestAPageFromDiskShowsThePlotsOfItsWidthAndEveryPointLeadsToItsRun(t *testing.T) {
	page := fileAddress(onDisk(t, engine(t)))
	b := browser.Open(t)
	for _, c := range []struct {
		shape            browser.Shape
		shown, otherwise string
	}{
		{browser.Phone, "narrow", "wide"},
		{browser.Desktop, "wide", "narrow"},
	} {
		w := b.Window(c.shape)
		w.Go(page)
		const count = "[...document.querySelectorAll('[aria-labelledby=plots] .for-%s svg')].filter(e => e.getBoundingClientRect().width > 200).length"
		if seen := browser.Value[int](w, strings.Replace(count, "%s", c.shown, 1)); seen < 2 { // of braking and of speed
			t.Errorf("%s: %d plots are seen, want one of braking and one of speed at least", c.shape.Name, seen)
		}
		if seen := browser.Value[int](w, strings.Replace(count, "%s", c.otherwise, 1)); seen != 0 {
			t.Errorf("%s: %d plots for another width are seen", c.shape.Name, seen)
		}
		points := browser.Value[[]string](w, "[...document.querySelectorAll('[aria-labelledby=plots] .for-"+c.shown+" .points a')].map(e => e.getAttribute('href'))")
		if len(points) < 24 {
			t.Fatalf("%s: the plots have %d points, want those of 24 runs at least", c.shape.Name, len(points))
		}
		if lost := browser.Value[[]string](w, `[...document.querySelectorAll('.points a')].map(e => e.getAttribute('href'))
			.filter(to => document.querySelector(to)?.tagName !== 'TR')`); len(lost) != 0 {
			t.Errorf("%s: these points lead to no row: %q", c.shape.Name, lost)
		}
		// One that lies on top where it is. A finger may hit its neighbour: the points of one speed lie close.
		browser.Value[any](w, `[...document.querySelectorAll('[aria-labelledby=plots] .for-`+c.shown+` .points a')].find(a => {
			a.scrollIntoView({block: 'center', behavior: 'instant'})
			const box = a.getBoundingClientRect()
			return document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2)?.closest('a') === a
		}).dataset.pressed = ''; null`)
		w.Click("[data-pressed]")
		w.Wait(`[...document.querySelectorAll('.points a')].some(a => a.getAttribute('href') === location.hash)`)
		w.Wait("(box => box.top >= 0 && box.bottom <= innerHeight)(document.querySelector(location.hash).getBoundingClientRect())")
	}
}

func TestThePageOfEvidenceCanBeUsedByEverybody(t *testing.T) {
	b := browser.Open(t)
	one := engine(t)
	other := one
	other.Name = "engine-21"
	for _, c := range []struct {
		name    string
		folders []Folder
		shapes  []browser.Shape // each in light and in dark
	}{
		{"one", []Folder{one}, []browser.Shape{browser.Phone}}, // the rest of it has what the others have, and they are shorter
		{"several", []Folder{one, other}, []browser.Shape{browser.Desktop}},
		{"hostile", []Folder{hostileFolder(t, "<script>alert(1)</script>\u202e\"'"+strings.Repeat("long", 60))}, []browser.Shape{browser.Phone}},
		{"empty", []Folder{{Path: "empty", Name: "empty"}}, []browser.Shape{browser.Phone, browser.Desktop}},
	} {
		for _, shape := range c.shapes {
			w := b.Window(shape)
			w.Go(fileAddress(onDisk(t, c.folders...)))
			w.Usable(c.name)
		}
	}
}

func TestTheFirstKeyLeadsPastTheListOfParts(t *testing.T) {
	w := browser.Open(t).Window(browser.Desktop)
	w.Go(fileAddress(onDisk(t, engine(t))))
	w.Keys("\t")
	if skip := browser.Value[bool](w, "document.activeElement.matches('.skip') && document.activeElement.getBoundingClientRect().top >= 0"); !skip {
		t.Error("the first key does not bring the link that leads past the list into view")
	}
}

// mediaBox is the size of the pages of a PDF file, in points (ISO 32000-1, table 30).
var mediaBox = regexp.MustCompile(`/MediaBox\s*\[\s*0\s+0\s+(\d+)(?:\.\d+)?\s+(\d+)(?:\.\d+)?\s*\]`)

func TestThePagesOfAPrintAreA4AndHaveRoomForEverything(t *testing.T) {
	short, long := onDisk(t, Folder{Path: "empty", Name: "empty"}), onDisk(t, engine(t))
	var pages [2]int
	for i, page := range []string{short, long} {
		file := filepath.Join(t.TempDir(), "page.pdf")
		if err := WritePDF(t.Context(), page, file); err != nil {
			t.Fatal(err)
		}
		pdf, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		pages[i] = browser.Pages(pdf)
		w := browser.Open(t).Window(browser.DesktopDark)
		w.Go(fileAddress(page))
		if byHand := browser.Pages(w.PDF()); byHand != pages[i] {
			t.Errorf("printed by hand in a dark browser it has %d pages, by WritePDF %d", byHand, pages[i])
		}
		for _, size := range mediaBox.FindAllStringSubmatch(string(pdf), -1) {
			if size[1] < "594" || size[1] > "595" || size[2] < "841" || size[2] > "842" { // ISO 216: 210 mm x 297 mm
				t.Errorf("a page of %s x %s points, want A4", size[1], size[2])
			}
		}
	}
	if pages[0] != 1 && pages[0] != 2 || pages[1] < 5 {
		t.Errorf("an empty folder has %d pages and a full one %d, want 1 or 2, and 5 at least", pages[0], pages[1])
	}
}
