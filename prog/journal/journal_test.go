package journal

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fettle/nmra/cv"

	"github.com/google/go-cmp/cmp"
)

var when = time.Date(2026, 11, 25, 7, 41, 3, 0, time.UTC)

func header() Header {
	return Header{Batch: "apply", Title: "Harbour tram 3, street running", When: when, Station: "bench:tram-3", Decoder: Decoder{Maker: 13, Version: 21}}
}

// keep writes a batch of two registers and returns the path of its journal.
func keep(t *testing.T, folder string) string {
	t.Helper()
	j := New(folder, "tram-3", header())
	paged := cv.Register{CV: 260, Page: cv.Page{High: 16, Low: 3}}
	for _, err := range []error{
		j.Held(cv.Values{{CV: 3}: 6, paged: 1}),
		j.Wanted(cv.Values{{CV: 3}: 12, paged: 7}),
		j.Writing(cv.Register{CV: 3}, 12),
		j.Held(cv.Values{{CV: 3}: 12}), // the first value is the one that counts
		j.Writing(paged, 7),
		j.Found(cv.Values{{CV: 3}: 12, paged: 7}),
		j.End("proven"),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return j.Path()
}

func TestAJournalReadsAsItWasWritten(t *testing.T) {
	folder := t.TempDir()
	path := keep(t, folder)
	if want := filepath.Join(folder, "tram-3-20261125-074103.journal"); path != want {
		t.Errorf("the journal is %s, want %s", path, want)
	}
	got, err := Read(path)
	if err != nil {
		t.Fatal(err)
	}
	paged := cv.Register{CV: 260, Page: cv.Page{High: 16, Low: 3}}
	want := Record{
		Header: header(),
		Held:   cv.Values{{CV: 3}: 6, paged: 1},
		Wanted: cv.Values{{CV: 3}: 12, paged: 7},
		Writes: []Write{{cv.Register{CV: 3}, 12}, {paged, 7}},
		Found:  cv.Values{{CV: 3}: 12, paged: 7},
		Ended:  "proven",
	}
	want.Format = Format
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestABatchThatKeepsNothingLeavesNoFile(t *testing.T) {
	folder := t.TempDir()
	j := New(folder, "tram-3", header())
	if err := j.End("nothing to do"); err != nil {
		t.Fatal(err)
	}
	if files, _ := os.ReadDir(folder); len(files) != 0 || j.Path() != "" {
		t.Errorf("found %v, want no file", files)
	}
}

func TestAnotherBatchInTheSameSecondHasAFileOfItsOwn(t *testing.T) {
	folder := t.TempDir()
	if first, second := keep(t, folder), keep(t, folder); first == second {
		t.Errorf("both are %s", first)
	}
}

func TestAJournalThatACrashCutAnywhereReadsAndGoesOn(t *testing.T) {
	folder := t.TempDir()
	whole, err := os.ReadFile(keep(t, folder))
	if err != nil {
		t.Fatal(err)
	}
	first := strings.IndexByte(string(whole), '\n') + 1
	path := filepath.Join(folder, "cut.journal")
	for n := first; n <= len(whole); n++ {
		if err := os.WriteFile(path, whole[:n], 0o644); err != nil {
			t.Fatal(err)
		}
		before, err := Read(path)
		if err != nil {
			t.Fatalf("cut to %d bytes: %v", n, err)
		}
		j, _, err := Reopen(path, when)
		if err != nil {
			t.Fatalf("cut to %d bytes: %v", n, err)
		}
		if err := errors.Join(j.Held(cv.Values{{CV: 4}: 8}), j.Writing(cv.Register{CV: 4}, 9)); err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		after, err := Read(path)
		if err != nil {
			t.Fatalf("cut to %d bytes and gone on with: %v", n, err)
		}
		before.Held[cv.Register{CV: 4}] = 8
		before.Writes, before.Ended = append(before.Writes, Write{cv.Register{CV: 4}, 9}), ""
		before.Found, before.Resumed = nil, when // what was found before it was gone on with says nothing any more
		if diff := cmp.Diff(before, after); diff != "" {
			t.Fatalf("cut to %d bytes and gone on with (-want +got)\n%s", n, diff)
		}
	}
}

func TestWhatIsNoJournalIsRefusedWithItsPlace(t *testing.T) {
	good := `{"format":1,"batch":"apply","title":"x","when":"2026-11-25T07:41:03Z","station":"bench:","decoder":{"maker":13,"version":21}}` + "\n"
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", ":1: "},
		{"another format", `{"format":2}` + "\n", ":1: found format 2, want 1"},
		{"not JSON", "tram\n", ":1: found what is no line of a journal"},
		{"an unknown key", good + `{"hold":{"3":6}}` + "\n", `:2: found what is no line of a journal: json: unknown field "hold"`},
		{"a value over 255", good + `{"held":{"3":256}}` + "\n", ":2: "},
		{"register 0", good + `{"held":{"0":6}}` + "\n", ":2: "},
		{"two values on a line", good + `{"ended":"x"}{"ended":"y"}` + "\n", `:2: found "{\"ended\":\"x\"}{\"ended\":\"y\"}", want it as a journal has it: "{\"ended\":\"x\"}"`},
		{"more than a line says", good + `{"ended":"x"}}` + "\n", ":2: found "},
		{"a space", good + `{"ended": "x"}` + "\n", ":2: found "},
		{"a space at the end", good + `{"ended":"x"} ` + "\n", ":2: found "},
		{"a key in capitals", good + `{"Ended":"x"}` + "\n", ":2: found "},
		{"a key of the header in capitals", strings.Replace(good, "title", "Title", 1), ":1: found "},
		{"a key twice", good + `{"ended":"x","ended":"y"}` + "\n", ":2: found "},
		{"a register twice", good + `{"held":{"3":6,"3":7}}` + "\n", ":2: found "},
		{"a register with a nought before it", good + `{"held":{"03":6}}` + "\n", ":2: found "},
		{"null", good + `{"held":null}` + "\n", ":2: found "},
		{"a blank line", good + "\n" + `{"held":{"3":6}}` + "\n", ":2: found a blank line"},
		{"a line that says nothing", good + "{}\n", ":2: found a line that says 0 things, want one"},
		{"a line that says two things", good + `{"held":{"3":6},"wanted":{"3":7}}` + "\n", ":2: found a line that says 2 things, want one"},
		{"a write without an old value", good + `{"held":{"3":6}}` + "\n" + `{"writing":{"register":"4","value":9}}` + "\n",
			":3: found a write to register 4, want what it held before it"},
		{"a line after the end", good + `{"ended":"proven"}` + "\n" + `{"held":{"3":6}}` + "\n", ":3: found a line after the end"},
	} {
		path := filepath.Join(t.TempDir(), "x.journal")
		if err := os.WriteFile(path, []byte(c.text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(path); err == nil || !strings.Contains(err.Error(), path+c.want) {
			t.Errorf("%s: got error %v, want one with %q", c.name, err, c.want)
		}
	}
}

func TestALineThatCouldNotBeKeptIsTheLast(t *testing.T) {
	folder := t.TempDir()
	j := New(folder, "tram-3", header())
	if err := j.Held(cv.Values{{CV: 3}: 6}); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(j.Path())
	if err != nil {
		t.Fatal(err)
	}
	kept := j.file
	if j.file, err = os.Open(j.Path()); err != nil { // can't be written to
		t.Fatal(err)
	}
	first := j.Writing(cv.Register{CV: 3}, 12)
	if first == nil {
		t.Fatalf("a line was kept in a file that can't be written to: %v", first)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j.file = kept // and now it can
	for name, got := range map[string]error{
		"writing": j.Writing(cv.Register{CV: 3}, 12), "held": j.Held(cv.Values{{CV: 4}: 6}), "wanted": j.Wanted(cv.Values{}), "end": j.End("proven"),
	} {
		if !errors.Is(got, first) {
			t.Errorf("%s after that: %v, want %v", name, got, first)
		}
	}
	if now, err := os.ReadFile(filepath.Join(folder, "tram-3-20261125-074103.journal")); err != nil || string(now) != string(whole) {
		t.Errorf("the file is now %q, %v, want %q", now, err, whole)
	}
}

func TestAJournalThatCannotBeginLeavesNoFile(t *testing.T) {
	folder := t.TempDir()
	h := header()
	h.When = time.Date(12026, 11, 25, 7, 41, 3, 0, time.UTC) // which the file has no words for
	j := New(folder, "tram-3", h)
	first := j.Held(cv.Values{{CV: 3}: 6})
	if files, _ := os.ReadDir(folder); first == nil || len(files) != 0 || j.Path() != "" {
		t.Errorf("%v; found %v and path %q, want an error and no file", first, files, j.Path())
	}
	if again := j.Held(cv.Values{{CV: 3}: 6}); !errors.Is(again, first) {
		t.Errorf("after that: %v, want %v", again, first)
	}
}

func TestNothingIsWrittenBeforeItsOldValueIsKept(t *testing.T) {
	j := New(t.TempDir(), "tram-3", header())
	if err := j.Writing(cv.Register{CV: 3}, 12); err == nil || j.Path() != "" {
		t.Errorf("%v, path %q, want an error and no file", err, j.Path())
	}
}

func TestAJournalThatIsNeededNoMoreIsRemoved(t *testing.T) {
	folder := t.TempDir()
	j := New(folder, "pages", header())
	if err := errors.Join(j.Discard(), j.Held(cv.Values{{CV: 31}: 16}), j.Writing(cv.Register{CV: 31}, 17)); err != nil {
		t.Fatal(err)
	}
	if err := j.Discard(); err != nil {
		t.Fatal(err)
	}
	if files, _ := os.ReadDir(folder); len(files) != 0 || j.Path() != "" {
		t.Errorf("found %v, path %q", files, j.Path())
	}
	if err := j.Writing(cv.Register{CV: 31}, 17); err == nil {
		t.Error("an old value is taken to be kept in a journal that was removed")
	}
}

func FuzzRead(f *testing.F) {
	whole, err := os.ReadFile(func() string {
		j := New(f.TempDir(), "x", header())
		if err := j.Held(cv.Values{{CV: 3}: 6}); err != nil {
			f.Fatal(err)
		}
		return j.Path()
	}())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add([]byte("{}\n{}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		rec, n, err := parse("x", data)
		if n > len(data) {
			t.Fatalf("%d of %d bytes are whole lines", n, len(data))
		}
		if err == nil && rec.Format != Format {
			t.Fatalf("took format %d", rec.Format)
		}
		for _, w := range rec.Writes {
			if _, known := rec.Held[w.Register]; !known {
				t.Fatalf("took a write to register %v without what it held", w.Register)
			}
		}
	})
}

func TestAJournalIsNamedAfterItsFileAndNotAfterTheTimeOfAnother(t *testing.T) {
	for path, want := range map[string]string{
		"sets/tram-3.toml":                   "tram-3",
		"tram-3-20261125-074103.journal":     "tram-3",
		"tram-3-20261125-074103-2.journal":   "tram-3",
		"reset-20261125-074103.journal":      "reset",
		"undo-reset-20261125-074103.journal": "undo-reset",
		"tram-20261125.toml":                 "tram-20261125",
	} {
		if got := Stem(path); got != want {
			t.Errorf("%s: %s, want %s", path, got, want)
		}
	}
}
