package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/prog/journal"
	"fettle/prog/sheet"
)

func TestProofThatAKilledProbeIsUndone(t *testing.T) {
	kills := 10
	if os.Getenv("FETTLE_PROOF") != "" {
		kills = 200
	}
	w := newWorkshop(t)
	probe := []string{"sheet", "probe", "2-6", "33-42", "67-94", "116", "--yes", "--to", "found.toml", "--station", "bench:engine-21"}
	found := filepath.Join(w.folder, "found.toml")
	w.run(done, "identify", "--station", "bench:engine-21")
	before, was := w.snapshot(), w.held()
	w.run(done, probe...)
	whole := w.journalSize()
	all, err := sheet.ReadFindings(found)
	if err != nil {
		t.Fatal(err)
	}

	random := rand.New(rand.NewPCG(20261125, 3))
	counts := map[string]int{}
	// On a busy computer the kind of kill that is wanted may come late.
	for n := 0; n < kills || counts["put back"] == 0 && n < 10*kills; {
		w.again(before)
		if err := os.Remove(found); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		var out bytes.Buffer
		after := random.Int64N(whole)
		cmd := w.start(&out, probe...)
		for w.journalSize() < after {
			time.Sleep(100 * time.Microsecond)
		}
		time.Sleep(time.Duration(random.Int64N(int64(2 * time.Millisecond))))
		_ = cmd.Process.Kill() // it may have ended
		if ended(t, cmd) < 0 {
			n++
		} else {
			counts["too late"]++
		}
		round := fmt.Sprintf("killed after %d bytes of its journal", after)

		is, path := w.held(), w.file(w.folder, "probe-*.journal")
		if !cmp.Equal(was, is) {
			counts["put back"]++
		}
		if info, err := os.Stat(path); path == "" || err == nil && info.Size() == 0 {
			counts["before the journal"]++
			if diff := cmp.Diff(was, is); diff != "" {
				t.Fatalf("%s: changed without a journal (-was +is)\n%s", round, diff)
			}
			continue
		}
		rec, err := journal.Read(path)
		if err != nil {
			t.Fatalf("%s: %v", round, err)
		}
		for r, old := range was {
			switch {
			case is[r] == old:
			case rec.Held[r] != old:
				t.Fatalf("%s: register %v held %d, which the journal does not have", round, r, old)
			case rec.Writes[len(rec.Writes)-1].Register != r:
				t.Fatalf("%s: register %v was not put back before the next one", round, r)
			}
		}
		w.run(done, "undo", path, "--station", "bench:engine-21")
		if diff := cmp.Diff(was, w.held()); diff != "" {
			t.Fatalf("%s and undone (-was +is)\n%s", round, diff)
		}
		if n%5 == 0 { // what was found so far is in the file, and the rest follows
			w.run(done, probe...)
			again, err := sheet.ReadFindings(found)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(all.Found, again.Found); diff != "" {
				t.Fatalf("%s and gone on with (-whole +in two)\n%s", round, diff)
			}
			counts["gone on with"]++
		}
	}
	t.Logf("%d kills: %v; every value put back", kills, counts)
	if counts["put back"] == 0 {
		t.Error("no kill came between a write and its undoing")
	}
}

// journalSize is how many bytes the journal of the probe has; 0 while there is none.
func (w *workshop) journalSize() int64 {
	w.t.Helper()
	info, err := os.Stat(w.file(w.folder, "probe-*.journal"))
	if err != nil {
		return 0
	}
	return info.Size()
}

func TestCtrlCInAProbePutsTheRegisterBackAndSaysHowToGoOn(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there a process can't send another one Ctrl-C")
	}
	w := newWorkshop(t)
	where := []string{"--station", "bench:railcar-12"}
	w.run(done, append(where, "identify")...)
	was := w.held()
	var out bytes.Buffer
	cmd := w.start(&out, append(where, "sheet", "probe", "--yes")...)
	for writes := 0; writes < 5; {
		time.Sleep(time.Millisecond)
		if path := w.file(w.folder, "*.journal"); path != "" {
			if rec, err := journal.Read(path); err == nil {
				writes = len(rec.Writes)
			}
		}
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if got := ended(t, cmd); got != stopped {
		t.Fatalf("status %d, want %d\n%s", got, stopped, &out)
	}
	path := w.file(w.folder, "*.journal")
	for _, want := range []string{
		"fettle: stopped half-way: Ctrl-C\n",
		"to go back:  fettle undo " + filepath.Base(path) + " --station bench:railcar-12\n",
		"to go on:    the same command with --to " + strings.TrimSuffix(filepath.Base(path), ".journal") + ".toml\n",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, &out)
		}
	}
	if diff := cmp.Diff(was, w.held()); diff != "" {
		t.Errorf("(-was +is)\n%s", diff)
	}
}
