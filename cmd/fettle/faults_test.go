package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
)

// write writes one register as a decoder does.
func write(held cv.Values, w journal.Write) cv.Values {
	after := maps.Clone(held)
	after[w.Register] = w.Value
	if w.Register.CV == 1 {
		// NMRA S-9.2.3 (July 2012), section E: writing CV 1 clears bit 5 of CV 29 and CV 19.
		after[cv.Register{CV: 19}] = 0
		after[cv.Register{CV: 29}] &^= 1 << 5
	}
	return after
}

// explained holds that the journal tells how the decoder came from what it held to what it holds: by the writes that it lists, the
// last of which may not have come about, and that it has the old value of each register that is not as it was.
func explained(was, is cv.Values, rec journal.Record) error {
	state, before := was, was
	for _, w := range rec.Writes {
		before, state = state, write(state, w)
	}
	if !maps.Equal(is, before) && !maps.Equal(is, state) {
		return fmt.Errorf("not what the writes of the journal lead to (-with all of them +found)\n%s", cmp.Diff(state, is))
	}
	for r, v := range is {
		if old, kept := rec.Held[r]; was[r] != v && (!kept || old != was[r]) {
			return fmt.Errorf("register %v held %d, which the journal does not have", r, was[r])
		}
	}
	return nil
}

func TestAChangeThatTheJournalDoesNotTellIsFound(t *testing.T) {
	one, three, consist := cv.Register{CV: 1}, cv.Register{CV: 3}, cv.Register{CV: 19}
	was := cv.Values{one: 3, three: 6, consist: 5, {CV: 29}: 0x26}
	rec := journal.Record{Held: cv.Values{three: 6}, Writes: []journal.Write{{Register: three, Value: 12}}}
	for name, c := range map[string]struct {
		change cv.Values
		rec    journal.Record
		good   bool
	}{
		"nothing yet":                     {cv.Values{}, rec, true},
		"the write in flight":             {cv.Values{three: 12}, rec, true},
		"another value":                   {cv.Values{three: 11}, rec, false},
		"another register":                {cv.Values{consist: 4}, rec, false},
		"no old value":                    {cv.Values{three: 12}, journal.Record{Writes: rec.Writes}, false},
		"no write":                        {cv.Values{three: 12}, journal.Record{Held: rec.Held}, false},
		"a side effect without its cause": {cv.Values{consist: 0}, journal.Record{Held: was, Writes: rec.Writes}, false},
		"a side effect": {cv.Values{one: 9, consist: 0, {CV: 29}: 0x06},
			journal.Record{Held: was, Writes: []journal.Write{{Register: one, Value: 9}}}, true},
	} {
		is := maps.Clone(was)
		maps.Copy(is, c.change)
		if err := explained(was, is, c.rec); (err == nil) != c.good {
			t.Errorf("%s: %v, want good: %v", name, err, c.good)
		}
	}
}

// killSet has an address, whose register changes 19 and 29 of itself, and index pages.
const killSet = `title = "Night-mail engine 30, killed"
[decoder]
maker = 13
version = 34
[registers]
1 = 77
3 = 30
4 = 22
"67-70" = [4, 8, 12, 17]
"257-258@16.0" = [7, 8]
"260@16.3" = 40
[bits]
29.4 = true
`

func TestProofThatAKilledApplyIsResumedAndUndone(t *testing.T) {
	kills := 20
	if os.Getenv("FETTLE_PROOF") != "" {
		kills = 200
	}
	w := newWorkshop(t)
	set, err := regset.Parse("killed.toml", []byte(killSet))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(w.folder, "killed.toml"), []byte(killSet), 0o600); err != nil {
		t.Fatal(err)
	}
	apply := []string{"apply", "killed.toml", "--station", "bench:engine-30"}
	w.run(done, "write", "19=5", "29.5=1", "--station", "bench:engine-30")
	before := w.snapshot()
	was := w.held()
	wanted := maps.Clone(was)
	resolved, err := set.Wanted(was)
	if err != nil {
		t.Fatal(err)
	}
	maps.Copy(wanted, resolved)

	var whole time.Duration // of one that nobody kills
	for range 3 {
		w.again(before)
		started := time.Now()
		w.run(done, apply...)
		whole = max(whole, time.Since(started))
	}
	if diff := cmp.Diff(wanted, w.held()); diff != "" {
		t.Fatalf("applied without a kill (-want +got)\n%s", diff)
	}

	random := rand.New(rand.NewPCG(20261125, 1))
	counts := map[string]int{}
	// On a busy computer the kind of kill that is wanted may come late.
	for n := 0; n < kills || (counts["resumed"] == 0 || counts["undone"] == 0) && n < 10*kills; {
		w.again(before)
		var out bytes.Buffer
		after := time.Duration(random.Int64N(int64(whole)))
		cmd := w.start(&out, apply...)
		time.Sleep(after)
		_ = cmd.Process.Kill() // it may have ended
		if ended(t, cmd) < 0 {
			n++
		} else {
			counts["too late"]++
		}
		round := fmt.Sprintf("killed after %v", after)

		is := w.held()
		path := w.file(w.folder, "killed-*.journal")
		var rec journal.Record
		if path != "" {
			rec, err = journal.Read(path)
			if info, statErr := os.Stat(path); statErr == nil && info.Size() == 0 {
				err = os.Remove(path) // killed between its making and its first line
				path = ""
			}
			if err != nil {
				t.Fatalf("%s: %v", round, err)
			}
		}
		if err := explained(was, is, rec); err != nil {
			t.Fatalf("%s: %v", round, err)
		}
		want := wanted
		switch undo := random.IntN(2) == 0; {
		case path == "":
			counts["before the journal"]++
			w.run(done, apply...)
		case undo:
			counts["undone"]++
			want = was
			w.run(done, "undo", path, "--station", "bench:engine-30")
		case rec.Ended != "":
			counts["after its end"]++
		default:
			counts["resumed"]++
			w.run(done, slices.Concat(apply, []string{"--resume"})...)
		}
		if rec.Wanted == nil && len(rec.Writes) > 0 {
			counts["of these while it chose a page to read"]++
		}
		if diff := cmp.Diff(want, w.held()); diff != "" {
			t.Fatalf("%s: %v (-want +got)\n%s", round, counts, diff)
		}
	}
	t.Logf("%d kills within %v: %v; no old value lost, no register that the journal does not explain", kills, whole, counts)
	if counts["resumed"] == 0 || counts["undone"] == 0 {
		t.Errorf("%v: want some resumed and some undone", counts)
	}
}

// longSet keeps a decoder on dirty rails busy.
const longSet = `title = "Fish-van railcar 12, long"
[registers]
"3-6" = [16, 14, 190, 84]
"33-40" = [2, 4, 8, 16, 32, 64, 128, 1]
"47-60" = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14]
"67-94" = [7, 13, 19, 25, 32, 39, 46, 54, 62, 70, 79, 88, 97, 106, 115, 125, 135, 145, 155, 165, 176, 187, 198, 209, 220, 232, 244, 254]
"112-120" = [9, 8, 7, 6, 5, 4, 3, 2, 1]
`

func TestCtrlCInTheMiddleLeavesAJournalThatResumes(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there a process can't send another one Ctrl-C")
	}
	w := newWorkshop(t)
	if err := os.WriteFile(filepath.Join(w.folder, "long.toml"), []byte(longSet), 0o600); err != nil {
		t.Fatal(err)
	}
	where := []string{"--station", "bench:railcar-12"}
	w.run(done, append(where, "identify")...)
	was := w.held()

	var out bytes.Buffer
	cmd := w.start(&out, append(where, "apply", "long.toml")...)
	w.writing(5)
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if got := ended(t, cmd); got != stopped {
		t.Fatalf("status %d, want %d\n%s", got, stopped, &out)
	}
	path := w.file(w.folder, "*.journal")
	for _, want := range []string{
		"fettle: stopped half-way: Ctrl-C\n",
		"to go on:    fettle apply --resume " + filepath.Base(path) + " --station bench:railcar-12\n",
		"to go back:  fettle undo " + filepath.Base(path) + " --station bench:railcar-12\n",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, &out)
		}
	}
	rec, err := journal.Read(path)
	if err != nil || rec.Ended != "" {
		t.Fatalf("the journal: %v, ended %q, want one that can be resumed", err, rec.Ended)
	}
	if err := explained(was, w.held(), rec); err != nil {
		t.Error(err)
	}
	w.run(done, append(where, "apply", "--resume", path)...)
	w.run(done, append(where, "check", "long.toml")...)
	w.run(done, append(where, "undo", path)...)
	if diff := cmp.Diff(was, w.held()); diff != "" {
		t.Errorf("undone (-want +got)\n%s", diff)
	}
}

func TestASignalThatEndsABatchIsNamed(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there a process can't send another one a signal")
	}
	w := newWorkshop(t)
	if err := os.WriteFile(filepath.Join(w.folder, "long.toml"), []byte(longSet), 0o600); err != nil {
		t.Fatal(err)
	}
	// Under nohup a hangup is ignored, and would be by the command too. What is caught here is not ignored there.
	hangups := make(chan os.Signal, 1)
	signal.Notify(hangups, syscall.SIGHUP)
	defer signal.Stop(hangups)
	for sent, name := range map[syscall.Signal]string{syscall.SIGTERM: "SIGTERM", syscall.SIGHUP: "SIGHUP"} {
		var out bytes.Buffer
		cmd := w.start(&out, "apply", "long.toml", "--station", "bench:railcar-12", "--fresh")
		w.writing(5)
		if err := cmd.Process.Signal(sent); err != nil {
			t.Fatal(err)
		}
		if got := ended(t, cmd); got != stopped || !strings.Contains(out.String(), "fettle: stopped half-way: "+name+"\n") {
			t.Errorf("%v: status %d, want %d and its name in\n%s", sent, got, stopped, &out)
		}
		path := w.file(w.folder, "*.journal")
		w.run(done, "apply", "--resume", path, "--station", "bench:railcar-12")
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

func TestABatchWhoseOutputNobodyReadsEndsInGoodOrder(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there nothing is sent to a process whose output is closed")
	}
	w := newWorkshop(t)
	if err := os.WriteFile(filepath.Join(w.folder, "long.toml"), []byte(longSet), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := w.prepare("apply", "long.toml", "--station", "bench:railcar-12")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout = write
	if err := errors.Join(cmd.Start(), write.Close()); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(read).ReadString('\n'); err != nil {
		t.Fatalf("its first line: %q, %v", line, err)
	}
	if err := read.Close(); err != nil {
		t.Fatal(err)
	}
	got := ended(t, cmd)
	path := w.file(w.folder, "*.journal")
	if want := "fettle: standard output was closed before all was said\njournal:  " + filepath.Base(path) + "\n"; got != badUse || errs.String() != want {
		t.Errorf("status %d, %q, want %d, %q", got, &errs, badUse, want)
	}
	if rec, err := journal.Read(path); err != nil || rec.Ended != journal.Proven {
		t.Errorf("its journal: %v, ended %q, want %q", err, rec.Ended, journal.Proven)
	}
	w.run(done, "check", "long.toml", "--station", "bench:railcar-12")
}

func TestCtrlCBeforeAnythingIsWrittenSaysSo(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there a process can't send another one Ctrl-C")
	}
	w := newWorkshop(t)
	cmd := w.prepare("read", "1-1024", "--station", "bench:railcar-12")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatalf("its first line: %q, %v", line, err)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if got := ended(t, cmd); got != stopped || errs.String() != "fettle: stopped with Ctrl-C\n" {
		t.Errorf("status %d, %q, want %d and that it was stopped", got, &errs, stopped)
	}
}
