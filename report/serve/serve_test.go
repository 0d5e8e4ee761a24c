package serve

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

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

func TestAStopTurnsTheTrackOffInEveryState(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	for name, c := range map[string]struct {
		station string
		to      func(*desk) // brings the desk to the state
		after   func(*desk)
	}{
		"nothing at hand": {"tram-3", func(*desk) {}, func(*desk) {}},
		"identifying": {"tram-3", func(d *desk) { d.send(first, Order{Do: Identify}) }, func(d *desk) {
			if s := d.idle(); !strings.Contains(s.Trouble, "mergency stop") {
				d.Errorf("found trouble %q, want it to say what stopped it", s.Trouble)
			}
		}},
		"applying": {"tram-3", func(d *desk) {
			d.must(Order{Do: PlanSet, File: "street.toml"})
			d.idle()
			d.send(first, Order{Do: ApplySet})
		}, func(d *desk) { d.idle() }},
		"agreeing": {"engine-30", func(d *desk) {
			d.must(Order{Do: OpenTrial, File: "quay-2.toml"})
			d.idle()
		}, func(d *desk) { d.idle(); d.phase(Agreeing) }},
		"placing": {"engine-30", func(d *desk) { d.opened() }, func(d *desk) { d.phase(Placing); d.driven() }},
		"sent off": {"engine-30", func(d *desk) {
			d.opened()
			d.send(first, Order{Do: DriveRun, Run: d.seen(first).Trial.Run.Number})
		}, func(d *desk) { d.phase(Placing); d.driven() }},
		"moving": {"engine-30", func(d *desk) { d.opened(); d.driven() }, func(d *desk) {
			s := d.phase(Placing)
			if s.Trial.Made != 0 || !strings.Contains(s.Trouble, "does not count") {
				d.Errorf("found %s, want the run not to count", d.told())
			}
			d.driven()
		}},
		"noting": {"engine-30", func(d *desk) { d.opened(); d.driven(); d.stopped() }, func(d *desk) {
			r := d.phase(Noting).Trial.Run
			d.must(Order{Do: NoteRun, Run: r.Number, StopMM: r.StopMM})
		}},
	} {
		for _, window := range []string{first, second} {
			t.Run(name+", window "+window[31:], func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					d := seated(t, on(t, c.station), map[string]string{"street.toml": set, "quay-2.toml": trialText})
					defer d.Close()
					d.come(second)
					c.to(d)
					if a := d.ask(window, Order{Do: Stop}); a.Refused != "" {
						t.Errorf("the stop was refused: %q", a.Refused)
					}
					synctest.Wait() // no time passes
					if s := d.seen(first); s.Track != Off {
						t.Errorf("found track %s at the very time of the stop, want it off", s.Track)
					}
					c.after(d)
				})
			})
		}
	}
}

// silentFor lets time pass without a word of who drives.
func (d *desk) silentFor(t time.Duration) {
	time.Sleep(t)
	synctest.Wait()
}

func TestSilenceTurnsTheTrackOffWhileItIsOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		d.come(second)
		for range 6 { // who only watches does not count
			d.silentFor(900 * time.Millisecond)
			d.send(second, Order{Do: Beat})
		}
		s := d.seen(first)
		if s.Track != Off || s.Trial.Phase != Placing || s.Trial.Made != 0 || !strings.Contains(s.Trouble, "heard") {
			t.Errorf("found %s after 5.4 s of silence, want the track off and the run not counted", d.told())
		}
	})
}

func TestWhoIsHeardInTimeKeepsTheTrackOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		for range 10 {
			d.silentFor(4900 * time.Millisecond)
			d.send(first, Order{Do: Beat})
		}
		if s := d.seen(first); s.Track != Main || s.Trial.Phase != Moving {
			t.Errorf("found %s, want it to be on its way", d.told())
		}
	})
}

func TestWithTheTrackOffNothingIsLostBySilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.silentFor(20 * time.Second)
		if s := d.seen(first); s.Trial == nil || s.Trial.Phase != Placing || s.Trouble != "" {
			t.Fatalf("found %s, want the run to wait for its place", d.told())
		}
		d.driven()
		r := d.stopped().Trial.Run
		d.silentFor(20 * time.Second)
		if s := d.seen(first); s.Trial.Phase != Noting {
			t.Fatalf("found %s, want the run to wait for its note", d.told())
		}
		d.must(Order{Do: NoteRun, Run: r.Number, StopMM: r.StopMM})
		d.phase(Placing)
		d.driven()
		d.silentFor(6 * time.Second) // and it counts again once the track is on
		if s := d.seen(first); s.Track != Off {
			t.Errorf("found %s, want the track off", d.told())
		}
	})
}

func TestOneWindowDrivesAndOthersWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), nil)
		defer d.closed()
		w := d.windows.by[first]
		d.come(second)
		if s := d.seen(second); s.Seat != Taken || s.Watching != 2 {
			t.Errorf("found seat %s, %d windows", s.Seat, s.Watching)
		}
		d.refused(second, Order{Do: Identify}, "only watches")
		d.refused(second, Order{Do: TakeSeat}, "Another window drives")
		d.leave(w)
		d.silentFor(59 * time.Second)
		d.refused(second, Order{Do: TakeSeat}, "Another window drives")
		d.come(first) // and comes back
		d.silentFor(5 * time.Minute)
		if s := d.seen(first); s.Seat != Mine {
			t.Errorf("found seat %s, want it kept for who came back", s.Seat)
		}
		d.leave(d.windows.by[first])
		d.silentFor(61 * time.Second)
		if a := d.ask(second, Order{Do: TakeSeat}); a.Refused != "" {
			t.Errorf("the seat is not free: %q", a.Refused)
		}
		d.come(first)
		d.refused(first, Order{Do: Identify}, "only watches")
	})
}

func TestASeventeenthWindowIsNotLetIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), nil)
		defer d.closed()
		for n := range mostWindows - 1 {
			d.come(strings.Repeat("a", 30) + string(rune('a'+n/16)) + string("0123456789abcdef"[n%16]))
		}
		if _, ok := d.arrive(second, nil); ok {
			t.Error("it was let in")
		}
		d.come(first) // one that comes back is
	})
}

func TestAnOrderThatIsSentAgainIsDoneOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		r := d.stopped().Trial.Run
		note := Order{ID: 1000, Do: NoteRun, Run: r.Number, StopMM: r.StopMM}
		d.must(note)
		d.must(note) // the answer was lost with the connection
		d.come(first)
		d.must(note)
		s := d.phase(Placing)
		if s.Trial.Made != 1 {
			t.Errorf("found %d runs made, want 1", s.Trial.Made)
		}
		d.refused(first, Order{ID: 999, Do: DriveRun, Run: s.Trial.Run.Number}, "too late")
		d.refused(first, Order{ID: 1001, Do: NoteRun, Run: r.Number, StopMM: 5}, "is at hand")
		d.refused(first, Order{ID: 1002, Do: DriveRun, Run: r.Number}, "is at hand")
	})
}

func TestOrdersOutOfPlaceAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		for _, do := range []Action{AgreeToMove, DriveRun, SayOutcome, PassMark, NoteRun, UndoRun, CloseTrial} {
			d.refused(first, Order{Do: do}, "No trial is open")
		}
		d.refused(first, Order{Do: ResumeBatch}, "nothing to go on with")
		d.refused(first, Order{Do: UndoBatch}, "nothing to undo")
		for _, file := range []string{"", "quay-3.toml", "../quay-2.toml", "/etc/passwd", "quay-2.toml/../quay-2.toml"} {
			d.refused(first, Order{Do: OpenTrial, File: file}, "no such trial")
			d.idle()
			d.refused(first, Order{Do: PlanSet, File: file}, "no such register set")
			d.idle()
		}
		for _, text := range []string{"", "0", "1025", "1-99999", "29=3", "x"} {
			d.refused(first, Order{Do: ReadSome, Registers: text}, "")
			if s := d.seen(first); s.Doing != "" {
				t.Errorf("registers %q: found %q at hand", text, s.Doing)
			}
		}
		d.opened()
		d.refused(first, Order{Do: Identify}, "A trial is open")
		run := d.seen(first).Trial.Run.Number
		for _, do := range []Action{SayOutcome, PassMark, NoteRun} {
			d.refused(first, Order{Do: do, Run: run}, "not the time")
		}
		d.driven()
		d.refused(first, Order{Do: SayOutcome, Run: run, Outcome: "vanished"}, "Want an outcome")
		d.refused(first, Order{Do: CloseTrial}, "stop first")
		d.refused(first, Order{Do: LeaveSeat}, "stop first")
		d.stopped()
		d.refused(first, Order{Do: NoteRun, Run: run}, "where it stopped")
		d.refused(first, Order{Do: NoteRun, Run: run, StopMM: 1400, Note: "two\nlines"}, "want a line of text")
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

func TestAStopHalfWayIsOfferedAgainAndProvenAfterARestart(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	synctest.Test(t, func(t *testing.T) {
		rails := on(t, "tram-3")
		d := seated(t, rails, map[string]string{"street.toml": set})
		d.must(Order{Do: PlanSet, File: "street.toml"})
		d.idle()
		halfway := make(chan struct{})
		d.track = &cutOff{d.track, 3, func() { close(halfway) }}
		d.must(Order{Do: ApplySet})
		<-halfway
		d.ask(first, Order{Do: Stop})
		s := d.idle()
		if s.Batch.Phase != "stopped" || s.Batch.Journal == "" || s.Track != Off {
			t.Fatalf("found %s, want a batch that was stopped", d.told())
		}
		if err := d.Close(); err == nil || !strings.Contains(err.Error(), s.Batch.Journal) {
			t.Errorf("closing: found %v, want it to name the journal", err)
		}
		d.serve(rails)
		defer d.closed()
		d.come(first)
		d.must(Order{Do: TakeSeat})
		s = d.seen(first)
		if s.Batch == nil || s.Batch.Phase != "stopped" {
			t.Fatalf("found %s, want the batch offered again", d.told())
		}
		d.must(Order{Do: ResumeBatch})
		s = d.idle()
		if s.Trouble != "" || s.Batch.Phase != "proven" && s.Batch.Phase != "not_proven" {
			t.Errorf("found %s, want the batch to have come to its end", d.told())
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
