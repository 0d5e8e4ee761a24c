package journal

import (
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
	return Header{Batch: "apply", Title: "Harbour tram 3, street running", When: when, Station: "bench:tram-3", Decoder: Decoder{13, 21}}
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
		if err := j.Writing(cv.Register{CV: 4}, 9); err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		after, err := Read(path)
		if err != nil {
			t.Fatalf("cut to %d bytes and gone on with: %v", n, err)
		}
		before.Writes, before.Ended = append(before.Writes, Write{cv.Register{CV: 4}, 9}), ""
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
		{"two values on a line", good + `{"ended":"x"}{"ended":"y"}` + "\n", ":2: found more than one value"},
		{"a line that says nothing", good + "{}\n", ":2: found an empty line"},
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
	})
}
