package main

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

func TestProofThatAKilledSurveyIsGoneOnWith(t *testing.T) {
	kills := 10
	if os.Getenv("FETTLE_PROOF") != "" {
		kills = 200
	}
	w := newWorkshop(t)
	survey := []string{"survey", "--station", "bench:engine-30", "--to", "killed.survey.toml"}
	resume := []string{"survey", "--station", "bench:engine-30", "--resume", "killed.survey.toml"}
	path := filepath.Join(w.folder, "killed.survey.toml")
	w.run(done, "identify", "--station", "bench:engine-30")
	before, was := w.snapshot(), w.held()

	started := time.Now()
	w.run(done, survey...)
	whole := time.Since(started) // of one that nobody kills
	want := surveyIn(t, path)

	random := rand.New(rand.NewPCG(20261125, 3))
	counts := map[string]int{}
	// On a busy computer the kind of kill that is wanted may come late.
	for n := 0; n < kills || counts["while it read"] == 0 && n < 10*kills; {
		w.again(before)
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		args, round := survey, 0
		for ; round < 4; round++ { // killed up to three times, then left alone
			var out bytes.Buffer
			cmd := w.start(&out, args...)
			if round < 3 {
				time.Sleep(time.Duration(random.Int64N(int64(whole))))
				_ = cmd.Process.Kill() // it may have ended
			}
			if got := ended(t, cmd); got == done {
				break
			} else if got >= 0 {
				t.Fatalf("status %d\n%s", got, &out)
			}
			n++
			if _, err := os.Stat(path); err != nil {
				counts["before there was a file"]++
				continue
			}
			args = resume
			if s := surveyIn(t, path); !s.Unfinished() {
				counts["after its end"]++
				break // with this, 31 and 32 had been put back
			} else if len(s.Left) > 0 {
				counts["while it read"]++
			} else {
				counts["while it read again"]++
			}
			if cmp.Diff(was, w.held()) != "" {
				counts["of these with another page chosen"]++
			}
		}
		if diff := cmp.Diff(was, w.held()); diff != "" {
			t.Fatalf("%v: the decoder was changed (-before +after)\n%s", counts, diff)
		}
		got := surveyIn(t, path)
		if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(regset.Survey{}, "When"), cmpopts.EquateEmpty(),
			cmpopts.IgnoreMapEntries(func(r cv.Register, _ uint8) bool { return r.CV == 892 })); diff != "" {
			t.Fatalf("%v (-undisturbed +gone on with)\n%s", counts, diff)
		}
	}
	t.Logf("%d kills of surveys that take %v: %v; each came to the same file, and 31 and 32 were put back", kills, whole, counts)
	if counts["while it read"] == 0 {
		t.Errorf("%v: want some in the middle", counts)
	}
}

func TestCtrlCInASurveyPutsThePageBackAndSaysHowToGoOn(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there a process can't send another one Ctrl-C")
	}
	w := newWorkshop(t)
	where := []string{"--station", "bench:engine-30"}
	path := filepath.Join(w.folder, "stopped.survey.toml")
	w.run(done, append(where, "identify")...)
	was := w.held()
	for try := 0; ; try++ {
		var out bytes.Buffer
		cmd := w.start(&out, append(where, "survey", "--to", "stopped.survey.toml")...)
		for wait := 0; ; wait++ { // until it reads what is on a page
			if s, err := regset.ReadSurvey(path); err == nil && s.Pages != nil {
				break
			}
			if time.Sleep(time.Millisecond); wait > 60_000 {
				t.Fatalf("it came to no page\n%s", &out)
			}
		}
		if err := cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
			t.Fatal(err)
		}
		got := ended(t, cmd)
		if got == done && try < 10 { // it was faster
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			continue
		}
		for _, want := range []string{
			"left to read: Ctrl-C\n", "survey:      stopped.survey.toml\n",
			"to go on:    fettle survey --resume stopped.survey.toml --station bench:engine-30\n",
		} {
			if got != stopped || !strings.Contains(out.String(), want) {
				t.Errorf("status %d, want %d and %q in\n%s", got, stopped, want, &out)
			}
		}
		if left := w.file(w.folder, "*.journal"); left != "" {
			t.Errorf("%s is left, though the page was put back", left)
		}
		break
	}
	if diff := cmp.Diff(was, w.held()); diff != "" {
		t.Errorf("(-before +after)\n%s", diff)
	}
	w.run(done, append(where, "survey", "--resume", path)...)
	w.run(done, append(where, "check", path)...)
}

func surveyIn(t *testing.T, path string) regset.Survey {
	t.Helper()
	s, err := regset.ReadSurvey(path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
