package serve

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// layoutOfTest is a station with a main track alone, on which a person sees what happens. It takes down what it is told.
type layoutOfTest struct {
	mu       sync.Mutex
	stuck    chan struct{} // not nil: what is sent for the first time waits until its context ends
	offFails int           // so often the track will not go off
	lost     bool          // nothing can be sent any more
	on       bool
	told     []string
}

func (l *layoutOfTest) Describe() station.Description {
	return station.Description{Kind: "station of a test", Title: "quay line"}
}
func (l *layoutOfTest) Close() error { return nil }

func (l *layoutOfTest) PowerOn(context.Context) (station.Draw, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.on, l.told = true, append(l.told, "on")
	return station.Draw{Unmeasured: true}, nil
}

func (l *layoutOfTest) PowerOff(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.offFails > 0 {
		l.offFails--
		return errors.New("the relay sticks")
	}
	if l.on {
		l.told = append(l.told, "off")
	}
	l.on = false
	return nil
}

func (l *layoutOfTest) Send(ctx context.Context, p nmra.Packet, _ int) error {
	i, err := p.Instruction(nmra.MainTrack)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lost {
		return station.ErrLost
	}
	if stuck := l.stuck; stuck != nil && i.Kind == nmra.Speed {
		l.stuck = nil
		l.mu.Unlock()
		defer l.mu.Lock()
		close(stuck)
		<-ctx.Done()
		return ctx.Err()
	}
	l.told = append(l.told, i.String())
	return nil
}

// becomes changes the station.
func (l *layoutOfTest) becomes(change func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	change()
}

// powered says whether the track is on.
func (l *layoutOfTest) powered() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.on
}

// since is what it was told since the track went on last.
func (l *layoutOfTest) since() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	text := strings.Join(l.told, "; ")
	return text[strings.LastIndex(text, "on;")+1:]
}

func TestOnARealStationAPersonSaysWhatBecomesOfARun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &layoutOfTest{}
		d := seated(t, l, map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.refused(first, Order{Do: Identify}, "no programming track")
		r := d.opened().Trial.Run
		if l.powered() || l.since() != "" {
			t.Errorf("found it told %q before the run was sent off", l.since())
		}
		d.must(Order{Do: DriveRun, Run: r.Number})
		d.until("the track on", func(s State) bool { return s.Track == Main })
		d.must(Order{Do: SayOutcome, Run: r.Number, Outcome: "stopped"})
		s := d.phase(Noting)
		if s.Trial.Run.StopMM != 0 || s.Trial.View != nil || l.powered() {
			t.Errorf("found %+v, want it unknown where it stands, and the track off", s.Trial)
		}
		d.must(Order{Do: NoteRun, Run: r.Number, StopMM: 1402.5, StopS: 9.4})
		if got := d.phase(Placing).Trial.Runs; len(got) != 1 || got[0].StopMM != 1402.5 || got[0].StopS != 9.4 {
			t.Errorf("found %+v, want the run as it was said", got)
		}
	})
}

func TestAStopDoesNotWaitBehindAStationThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &layoutOfTest{stuck: make(chan struct{})}
		stuck := l.stuck
		d := seated(t, l, map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		r := d.opened().Trial.Run
		d.must(Order{Do: DriveRun, Run: r.Number})
		<-stuck
		begun := time.Now()
		d.ask(first, Order{Do: Stop})
		synctest.Wait()
		if l.powered() || time.Since(begun) > 0 {
			t.Errorf("found the track on %v after the stop", time.Since(begun))
		}
		if !strings.Contains(l.since(), "emergency") {
			t.Errorf("found %q, want an emergency stop before the power goes", l.since())
		}
		if s := d.phase(Placing); s.Trial.Run.Number != r.Number {
			t.Errorf("found run %d, want run %d once more", s.Trial.Run.Number, r.Number)
		}
	})
}

func TestATrackThatWillNotGoOffIsSaidUntilItDoes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &layoutOfTest{}
		d := seated(t, l, map[string]string{"quay-2.toml": trialText})
		r := d.opened().Trial.Run
		d.must(Order{Do: DriveRun, Run: r.Number})
		d.until("the track on", func(s State) bool { return s.Track == Main })
		l.becomes(func() { l.offFails = 7 })
		d.ask(first, Order{Do: Stop})
		s := d.idle()
		if s.Track != Main || !strings.Contains(s.Trouble, "by hand, at once") {
			t.Errorf("found track %s, trouble %q, want it to say that it may be on", s.Track, s.Trouble)
		}
		d.ask(first, Order{Do: Stop})
		if s = d.idle(); s.Track != Off || l.powered() {
			t.Errorf("found track %s after another stop, want it off", s.Track)
		}
		d.closed()
	})
}

func TestAfterAStationFailedTheTrialCanBeGoneOnWith(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &layoutOfTest{}
		d := seated(t, l, map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		r := d.opened().Trial.Run
		d.must(Order{Do: DriveRun, Run: r.Number})
		d.until("the track on", func(s State) bool { return s.Track == Main })
		l.becomes(func() { l.lost = true }) // as the speed is sent once more
		s := d.idle()
		if s.Track != Off || l.powered() || s.Trial.Phase != Agreeing || !strings.Contains(s.Trouble, "can't be reached") {
			t.Errorf("found %s, want the track off, and said what failed", d.told())
		}
		l.becomes(func() { l.lost = false })
		d.must(Order{Do: AgreeToMove})
		if s = d.phase(Placing); s.Trial.Run.Number != r.Number {
			t.Errorf("found run %d, want run %d once more", s.Trial.Run.Number, r.Number)
		}
	})
}

func TestStepsOfWantedSpeedsComeFromTheTrialOfSpeedInTheFolder(t *testing.T) {
	wanted := strings.Replace(trialText, "steps = [12, 20]", "speeds_mm_s = [120, 240]", 1)
	files := map[string]string{"quay-2.toml": wanted}
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, &layoutOfTest{}, files)
		d.must(Order{Do: OpenTrial, File: "quay-2.toml"})
		d.idle()
		d.must(Order{Do: AgreeToMove})
		if s := d.idle(); !strings.Contains(s.Trouble, "trial of speed") || s.Trial.Phase != Agreeing {
			t.Errorf("found %s, want it to say what is missing", d.told())
		}
		speed, runs := testdata(t, "trials/night-mail-30-speed.toml"), testdata(t, "trials/night-mail-30-speed.csv")
		for name, text := range map[string]string{"speed.toml": speed, "speed.bought.csv": runs} {
			if err := os.WriteFile(filepath.Join(d.folder, name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		d.must(Order{Do: CloseTrial})
		if s := d.opened(); s.Trial.Run.Step == 0 || s.Trial.Run.SpeedMMS == 0 {
			t.Errorf("found %+v, want its step known", s.Trial.Run)
		}
		d.closed()
	})
}

// lapTrial is a trial of speed by laps.
const lapTrial = `title = "Night-mail engine 30, laps"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
[speed]
steps = [10]
lap_mm = 3000
[runs]
repeats = 1
leads = ["front"]
seed = 1
`

func TestALapIsTimedFromMarkToMark(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, &layoutOfTest{}, map[string]string{"laps.toml": lapTrial})
		defer d.closed()
		d.must(Order{Do: OpenTrial, File: "laps.toml"})
		d.idle()
		d.must(Order{Do: AgreeToMove})
		d.phase(Placing)
		d.must(Order{Do: DriveRun, Run: 1})
		d.until("the track on", func(s State) bool { return s.Track == Main })
		d.send(first, Order{Do: PassMark, Run: 1})
		for range 10 {
			time.Sleep(2 * time.Second)
			d.send(first, Order{Do: Beat})
		}
		d.send(first, Order{Do: PassMark, Run: 1})
		if s := d.phase(Noting); s.Trial.Run.SpeedMMS != 150 {
			t.Errorf("found %g mm/s, want 3000 mm in 20 s: 150", s.Trial.Run.SpeedMMS)
		}
		d.must(Order{Do: NoteRun, Run: 1})
		if s := d.idle(); s.Trial.Phase != Finished {
			t.Errorf("found %s", d.told())
		}
	})
}

func TestSilenceStopsABatchBetweenTwoInstructions(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), map[string]string{"street.toml": set})
		d.must(Order{Do: PlanSet, File: "street.toml"})
		d.idle()
		track := d.track
		d.track = &cutOff{track, 3, func() {}}
		d.must(Order{Do: ApplySet})
		d.silentFor(6 * time.Second)
		s := d.seen(first)
		if s.Track != Off || s.Batch.Phase != "stopped" || !strings.Contains(s.Trouble, "heard") {
			t.Fatalf("found %s, want the batch stopped and the track off", d.told())
		}
		d.track = track
		d.must(Order{Do: ResumeBatch})
		if s = d.idle(); s.Trouble != "" || s.Batch.Phase != "proven" {
			t.Errorf("found %s, want the batch proven", d.told())
		}
		d.closed()
	})
}

func TestAPlanThatIsNotThatOfTheDecoderAnyMoreIsShownAnew(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), map[string]string{"street.toml": set})
		defer d.closed()
		d.must(Order{Do: PlanSet, File: "street.toml"})
		d.idle()
		track := d.track
		spec := on(t, "tram-3").(station.ProgrammingTrack)
		d.track = spec
		d.must(Order{Do: PlanSet, Text: "title = \"another\"\n[registers]\n3 = 77\n"})
		d.idle()
		d.must(Order{Do: ApplySet})
		d.idle()
		d.track = track
		d.must(Order{Do: PlanSet, File: "street.toml"})
		d.idle()
		d.track = spec // which holds 77 in register 3
		d.must(Order{Do: ApplySet})
		s := d.idle()
		if s.Batch.Phase != "planned" || !strings.Contains(s.Trouble, "look at the plan again") {
			t.Fatalf("found %s, want the new plan", d.told())
		}
		d.must(Order{Do: ApplySet})
		if s = d.idle(); s.Batch.Phase != "proven" {
			t.Errorf("found %s, want it proven", d.told())
		}
	})
}
