package serve

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/trial"
)

func TestASetIsPlannedAppliedAndProven(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), map[string]string{"street.toml": set})
		defer d.closed()
		d.must(Order{Do: Identify})
		s := d.idle()
		if i := slices.Index(s.Identity, Fact{"maker", "13"}); i < 0 {
			t.Errorf("found %v, want maker 13", s.Identity)
		}
		d.must(Order{Do: ReadSome, Registers: "1 8, 29 67-69"})
		s = d.idle()
		if len(s.Readings) != 6 || s.Readings[1].Value == nil || *s.Readings[1].Value != 13 {
			t.Errorf("found %+v, want six readings, 13 in register 8", s.Readings)
		}
		d.refused(first, Order{Do: ApplySet}, "no plan")
		d.must(Order{Do: PlanSet, File: "street.toml"})
		s = d.idle()
		if s.Batch.Phase != "planned" || s.Batch.Journal != "" {
			t.Fatalf("found %+v, want a plan", s.Batch)
		}
		d.must(Order{Do: ApplySet})
		s = d.idle()
		if s.Batch.Phase != "proven" || s.Batch.Journal == "" {
			t.Fatalf("found %s, want it proven", d.told())
		}
		if s.Trouble != "" || s.Track != Off {
			t.Errorf("found trouble %q, track %s", s.Trouble, s.Track)
		}
		rec, err := journal.Read(filepath.Join(d.folder, s.Batch.Journal))
		if err != nil {
			t.Fatal(err)
		}
		if rec.Batch != "apply" || rec.Ended == "" || rec.Found[cv.Register{CV: 3}] != 12 {
			t.Errorf("found journal %+v, want an ended one with 12 in register 3", rec)
		}
		d.must(Order{Do: UndoBatch})
		s = d.idle()
		if s.Batch.Phase != "proven" {
			t.Errorf("found undo %+v, want it proven", s.Batch)
		}
		d.must(Order{Do: ReadSome, Registers: "3"})
		s = d.idle()
		if got := *s.Readings[0].Value; got != rec.Held[cv.Register{CV: 3}] {
			t.Errorf("found %d in register 3 after the undo, want %d", got, rec.Held[cv.Register{CV: 3}])
		}
	})
}

func TestATrialIsMadeRunByRunToItsVerdict(t *testing.T) {
	text := strings.Replace(trialText, "steps = [12, 20]", "speeds_mm_s = [120, 240]", 1)
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": text})
		defer d.closed()
		if s := d.opened(); s.Trial.Of != 2 || s.Trial.Run.Step == 0 || s.Trial.Run.SpeedMMS == 0 {
			t.Fatalf("found %+v, want 2 runs whose steps were found", s.Trial)
		}
		for n := range 2 {
			d.driven()
			s := d.stopped()
			if s.Track != Off {
				t.Errorf("found track %s while it is noted, want it off", s.Track)
			}
			at := s.Trial.Run.StopMM
			if at < 1000 || at > 1800 || s.Trial.Run.StopS <= 0 {
				t.Errorf("found it stopped at %g mm after %g s, want the bench to say where it stands", at, s.Trial.Run.StopS)
			}
			d.must(Order{Do: NoteRun, Run: s.Trial.Run.Number, StopMM: at, StopS: s.Trial.Run.StopS, Note: "lights on"})
			s = d.seen(first)
			if s.Trial.Made != n+1 || s.Trial.Verdict == nil || s.Trial.Plot == "" {
				t.Errorf("found %+v after run %d, want it counted, judged and drawn", s.Trial, n+1)
			}
		}
		s := d.idle()
		if s.Trial.Phase != Finished || s.Track != Off {
			t.Errorf("found %s", d.told())
		}
		tr, err := trial.Parse("quay-2.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		book, err := trial.OpenBook(filepath.Join(d.folder, "quay-2.runs.csv"), tr)
		if err != nil {
			t.Fatal(err)
		}
		if book.Made() != 2 || len(book.Sittings) != 1 || len(book.Runs[0].Gates) != 4 || book.Runs[0].Note != "lights on" {
			t.Errorf("found %+v, want two runs of one sitting, with four gates each", book)
		}
		d.must(Order{Do: UndoRun})
		if s = d.idle(); s.Trial.Made != 1 || s.Trial.Phase != Agreeing {
			t.Errorf("found %s, want the last run to be made again", d.told())
		}
		d.must(Order{Do: CloseTrial})
		if s = d.seen(first); s.Trial != nil {
			t.Error("the trial is still open")
		}
	})
}

func TestAnOutcomeIsNotTakenBeforeTheBenchSeesIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		run := d.seen(first).Trial.Run.Number
		d.until("the section", func(s State) bool { return s.Trial.View != nil && s.Trial.View.PastMM > 100 })
		d.refused(first, Order{Do: SayOutcome, Run: run, Outcome: "stopped"}, "It still moves, at ")
		d.refused(first, Order{Do: SayOutcome, Run: run, Outcome: "ignored"}, "It is still on its way through the section, ")
		if s := d.stopped(); s.Trial.Run.StopMM < 1000 {
			t.Errorf("found a stop at %g mm, want where it comes to rest by itself", s.Trial.Run.StopMM)
		}
	})
}

func TestATrialOfSpeedIsMadeByTheBenchAlone(t *testing.T) {
	text := testdata(t, "trials/night-mail-30-speed.toml")
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"speed.toml": text})
		defer d.closed()
		d.must(Order{Do: OpenTrial, File: "speed.toml"})
		d.idle()
		d.must(Order{Do: AgreeToMove})
		s := d.idle()
		if s.Trial.Phase != Finished || s.Trial.Made != s.Trial.Of || s.Trial.Runs[0].SpeedMMS == 0 {
			t.Errorf("found %s, want all runs made", d.told())
		}
	})
}

func TestWhatIsInDoubtIsKeptOnlyWhereItIsSure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		r := d.stopped().Trial.Run
		note := Order{Do: NoteRun, Run: r.Number, StopMM: 140} // centimetres, where 1400 mm are wanted
		if a := d.ask(first, note); len(a.Doubts) != 1 || !strings.Contains(a.Doubts[0], "centimetres") {
			t.Fatalf("found answer %+v, want a doubt whether it is in centimetres", a)
		}
		if s := d.seen(first); s.Trial.Phase != Noting || s.Trial.Made != 0 {
			t.Errorf("found %s, want the run not saved", d.told())
		}
		note.Sure = true
		d.must(note)
		if s := d.seen(first); s.Trial.Made != 1 {
			t.Errorf("found %s, want the run saved", d.told())
		}
	})
}

func TestARunThatCannotBeSavedIsNotSaidToBe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		r := d.stopped().Trial.Run
		if err := os.RemoveAll(d.folder); err != nil { // as a stick that is pulled out
			t.Fatal(err)
		}
		d.refused(first, Order{Do: NoteRun, Run: r.Number, StopMM: r.StopMM}, "could not be saved")
		if s := d.idle(); s.Trial.Made != 0 || s.Trouble == "" || s.Track != Off {
			t.Errorf("found %s, want it said what went wrong", d.told())
		}
		if err := os.Mkdir(d.folder, 0o755); err != nil {
			t.Fatal(err)
		}
		d.must(Order{Do: AgreeToMove})
		d.phase(Placing)
	})
}

func TestASetInTheNamesOfASheetOfTheFolderIsPlannedByIt(t *testing.T) {
	text := testdata(t, "sheets/engine-30.toml")
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"sheet.toml": text,
			"address.toml": "title = \"Another address\"\n[decoder]\nmaker = 13\nversion = 34\n[registers]\n\"primary address\" = 31\n"})
		defer d.closed()
		d.must(Order{Do: PlanSet, File: "address.toml"})
		s := d.idle()
		if len(s.Batch.Rows) == 0 || s.Batch.Rows[0].Register != "1" || s.Batch.Rows[0].Wanted != 31 {
			t.Errorf("found %+v, want register 1 to become 31", s.Batch)
		}
	})
}

func TestWhatIsNoFileOfOursIsNotListed(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	outside := filepath.Join(t.TempDir(), "outside.toml")
	if err := os.WriteFile(outside, []byte(set), 0o644); err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"street.toml": set, "quay-2.toml": trialText, ".hidden.toml": set, "set.txt": set, "none.toml": "x = 1",
		"bad.toml": "title = \"cut off\"\n[registers]\n3 = 900\n", "sheet.toml": testdata(t, "sheets/engine-30.toml"),
		"probe.toml": testdata(t, "sheets/engine-30-probe.toml"), "<b>.toml": set}
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), files)
		defer d.closed()
		if err := os.Symlink(outside, filepath.Join(d.folder, "link.toml")); err != nil {
			t.Fatal(err)
		}
		if err := os.Mkdir(filepath.Join(d.folder, "folder.toml"), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := d.look(); err != nil {
			t.Fatal(err)
		}
		s := d.seen(first)
		if want := []string{"<b>.toml", "bad.toml", "street.toml"}; !slices.Equal(s.Sets, want) {
			t.Errorf("found sets %q, want %q", s.Sets, want)
		}
		if want := []string{"quay-2.toml"}; !slices.Equal(s.Trials, want) {
			t.Errorf("found trials %q, want %q", s.Trials, want)
		}
		d.refused(first, Order{Do: PlanSet, File: "bad.toml"}, "900")
	})
}

func TestAReadingSaysTheNameAndTheMeaningThatThereAre(t *testing.T) {
	for _, c := range []struct {
		register string
		value    uint8
		want     string
	}{
		{"1", 30, "primary address: short address 30"},
		{"117", 150, "maker's own"},
		{"29", 0, "configuration: no bit on"},
	} {
		r, err := cv.ParseRegister(c.register)
		if err != nil {
			t.Fatal(err)
		}
		if got := inWords(r, c.value, nil); got != c.want {
			t.Errorf("register %s holding %d is %q, want %q", c.register, c.value, got, c.want)
		}
	}
}
