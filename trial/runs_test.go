package trial

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

const header = "run,lead,way,step,speed_mm_s,outcome,stop_mm,stop_s,gates,note\n"

// wherever leaves aside in which line of a file a run stands.
var wherever = cmpopts.IgnoreFields(Run{}, "Line")

func TestRunsOfASpreadsheetAreThoseThatWereTypedIn(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	plain, d1, err1 := ParseRuns("a.csv", []byte(sample(t, "night-mail-30.csv")), tr)
	sheet, d2, err2 := ParseRuns("b.csv", []byte(sample(t, "night-mail-30-spreadsheet.csv")), tr)
	if err1 != nil || err2 != nil || len(d1)+len(d2) != 0 || len(plain) != 30 {
		t.Fatal(err1, err2, d1, d2, len(plain))
	}
	if sheet[4].Note != "wheels cleaned before; oiled" {
		t.Errorf("note %q", sheet[4].Note)
	}
	sheet[4].Note = plain[4].Note
	if diff := cmp.Diff(plain, sheet, wherever); diff != "" {
		t.Error(diff)
	}
	if want := (Run{Number: 2, Speed: 241.8, Made: true, Stop: 1387.5, Time: 11800 * time.Millisecond}); cmp.Diff(want, plain[1], wherever) != "" {
		t.Error(cmp.Diff(want, plain[1], wherever))
	}
}

func TestCellsThatAreEmptyAreNotKnown(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	for _, text := range []string{
		"run,lead,way,outcome,stop_mm,speed_mm_s\n7,rear,with,stopped,1400,80\n9,front,against,,,\n",
		"\ufeff# Invented\r\n\r\nspeed_mm_s\tstop_mm\toutcome\tway\tlead\trun\t\t\r\n80\t1400,0\tstopped\twith\trear\t7\t\t\r\n\t\t\t\t\t\t\t\r\n \t\t\tagainst\tfront\t9\r\n\t\r\n",
		"run;outcome;lead;way;stop_mm;speed_mm_s;;;\n\n7;stopped; rear;with;+1400.00;80;;;;\n;;;;;\n# a word between\n9;;front;against",
		"\"run\",\"lead\",\"way\",\"outcome\",\"stop_mm\",\"speed_mm_s\"\n\"7\",\"rear\",\"with\",\"stopped\",\"1400,0\",\"80\"\n\"9\",\"front\",\"against\",\"\",\"\",\"\"\n",
	} {
		got, doubts, err := ParseRuns("r.csv", []byte(text), tr)
		want := []Run{{Number: 7, Lead: station.Rear, Speed: 80, Made: true, Stop: 1400}, {Number: 9, Way: station.Against}}
		if diff := cmp.Diff(want, got, wherever); err != nil || len(doubts) != 0 || diff != "" {
			t.Errorf("%q: %v %v\n%s", text, err, doubts, diff)
		}
	}
}

func TestEachErrorOfRunsHasItsPlace(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	tr.Runs.Leads = tr.Runs.Leads[:1]
	for _, c := range []struct{ text, want string }{
		{"", "1:1: found no runs"},
		{"\n# nothing\n\n", "1:1: found no runs"},
		{header, "found column names and no run"},
		{"\xff\xfer\x00u\x00n\x00", "1:1: found UTF-16"},
		{header + "1,front,with,,80,ignored,,,,gepr\xfcft\n", "2:1: found what is not UTF-8"},
		{"run,lead,way,outcome,stop_mmm\n1,front,with,ignored,\n", `1:22: found column "stop_mmm", want stop_mm (one of`},
		{"run,lead,way,outcome,weather\n1,front,with,ignored,\n", `1:22: found column "weather", want one of`},
		{"run,lead,way,outcome,run\n1,front,with,ignored,2\n", "1:22: found column run a second time, want it once; the first is column 1"},
		{"run,lead,way,stop_mm\n1,front,with,1400\n", "1:1: found no column outcome"},
		{header + ",front,with,,80,ignored,,,,\n", "2:1: run: found an empty cell"},
		{header + "1.5,front,with,,80,ignored,,,,\n", `2:1: run: found "1.5"`},
		{header + "0,front,with,,80,ignored,,,,\n", `2:1: run: found "0"`},
		{header + "3,front,with,,80,ignored,,,,\n4,front,with,,80,ignored,,,,\n3,front,with,,80,ignored,,,,\n", "4:1: run: found 3, want each number once; the first is on line 2"},
		{header + "1,back,with,,80,ignored,,,,\n", `2:3: lead: found "back"`},
		{header + "1,,with,,80,ignored,,,,\n", "2:3: lead: found an empty cell"},
		{header + "1,rear,with,,80,ignored,,,,\n", "2:3: lead: found rear, want front, the leads of the trial"},
		{header + "1,front,,,80,ignored,,,,\n", "2:9: way: found an empty cell"},
		{header + "1,front,agianst,,80,ignored,,,,\n", `2:9: way: found "agianst", want against (one of`},
		{header + "1,front,with,29,80,ignored,,,,\n", `2:14: step: found "29", want a whole number from 1 to 28`},
		{header + "1,front,with,,80 mm/s,ignored,,,,\n", `2:15: speed_mm_s: found "80 mm/s", want the number alone, in mm/s`},
		{header + "1,front,with,,0,ignored,,,,\n", `2:15: speed_mm_s: found "0"`},
		{header + "1,front,with,,-80,ignored,,,,\n", `2:15: speed_mm_s: found "-80"`},
		{header + "1,front,with,,5001,ignored,,,,\n", `2:15: speed_mm_s: found "5001"`},
		{header + "1,front,with,,1e2,ignored,,,,\n", `2:15: speed_mm_s: found "1e2"`},
		{header + "1,front,with,,0x10,ignored,,,,\n", `2:15: speed_mm_s: found "0x10"`},
		{header + "1,front,with,,80,stoped,1400,,,\n", `2:18: outcome: found "stoped", want stopped (one of`},
		{header + "1,front,with,,80,derailed,,,,\n", `2:18: outcome: found "derailed", want `},
		{header + "1,front,with,,80,stopped,,,,\n", "2:26: stop_mm: found an empty cell"},
		{header + "1,front,with,,80,stopped,-3,,,\n", `2:26: stop_mm: found "-3"`},
		{header + "1,front,with,,80,stopped,NaN,,,\n", `2:26: stop_mm: found "NaN"`},
		{header + "1,front,with,,80,stopped,Inf,,,\n", `2:26: stop_mm: found "Inf"`},
		{header + "1,front,with,,80,stopped,1400 mm,,,\n", `2:26: stop_mm: found "1400 mm", want the number alone, in mm`},
		{header + "1,front,with,,80,stopped,1801,,,\n", "2:26: stop_mm: found 1801, want at most 1800 mm, the room"},
		{header + "1,front,with,,80,stopped,\"1,400\",,,\n", `2:26: stop_mm: found "1,400", want 1400, or 1.400`},
		{header + "1,front,with,,80.5,stopped,\"1400,5\",,,\n", `2:28: stop_mm: found "1400,5", want a decimal point`},
		{strings.ReplaceAll(header, ",", ";") + "1;front;with;;80,5;stopped;1.400;;;\n", `2:28: stop_mm: found "1.400", want a decimal comma`},
		{header + "1,front,with,,80,overran,1700,,,\n", `2:26: stop_mm: found "1700", want an empty cell: the outcome is overran`},
		{header + "1,front,with,,80,ignored,,12,,\n", `2:27: stop_s: found "12", want an empty cell`},
		{header + "1,front,with,,80,,1400,,,\n", `2:19: stop_mm: found "1400", want an empty cell, or an outcome`},
		{header + "1,front,with,,80,stopped,1400,-2,,\n", `2:31: stop_s: found "-2"`},
		{header + "1,front,with,,80,stopped,1400,20,300,\n", `2:34: gates: found "300"`},
		{header + "1,front,with,,80,stopped,1400,20,301:3,\n", `2:34: gates: found "301:3", want one of the gates of the trial`},
		{header + "1,front,with,,80,stopped,1400,20,900:13 300:4,\n", `2:34: gates: found "300:4", want gates in the order`},
		{header + "1,front,with,,80,stopped,1400,20,-100:1,\n", `2:34: gates: found "-100:1", want a time that is negative`},
		{header + "1,front,with,,80,,,,300:4,\n", `2:21: gates: found "300:4", want an empty cell`},
		{header + "1,front,with,,80,stopped,1400,20,,\"two\nlines\"\n", "note: found"},
		{header + "1,front,with,,80,ignored,,,,Prüfung,zwei\n", `2:37: found "zwei" in a column without a name`},
		{header + "1,front,with,,80,ignored,,,,\"open\n", "found a quotation mark"},
	} {
		runs, _, err := ParseRuns("r.csv", []byte(c.text), tr)
		var list *regtoml.Errors
		if !errors.As(err, &list) || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "r.csv:") || runs != nil {
			t.Errorf("%q: got %d runs, %v; want %q in it", c.text, len(runs), err, c.want)
		}
	}
}

func TestAllErrorsOfRunsAreGivenAndTheFirstTwentyListed(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	text := header
	for i := range 50 {
		text += fmt.Sprintf("%d,front,with,,80,stopped,x,,,\n", i+1)
	}
	_, _, err := ParseRuns("r.csv", []byte(text), tr)
	var list *regtoml.Errors
	if !errors.As(err, &list) || list.Total != 50 || len(list.List) != regtoml.MaxErrors || list.List[19].Line != 21 {
		t.Error(err)
	}
}

func TestMoreThanAHundredThousandRunsAreRefused(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	b := []byte(header)
	for i := range maxRuns + 1 {
		b = fmt.Appendf(b, "%d,front,with,,80,ignored,,,,\n", i+1)
	}
	if _, _, err := ParseRuns("r.csv", b, tr); err == nil || !strings.Contains(err.Error(), "r.csv:100002:1: found more than 100000 runs") {
		t.Error(err)
	}
	b = b[:len(b)-len("100001,front,with,,80,ignored,,,,\n")]
	if runs, _, err := ParseRuns("r.csv", b, tr); err != nil || len(runs) != maxRuns {
		t.Error(len(runs), err)
	}
	if _, _, err := ParseRuns("r.csv", make([]byte, MaxRunBytes+1), tr); err == nil || !strings.Contains(err.Error(), "bytes") {
		t.Error(err)
	}
}

func TestARunOfATrialOfSpeedHasAStepAndNoStop(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30-speed.toml")
	runs, doubts, err := ParseRuns("s.csv", []byte(sample(t, "night-mail-30-speed.csv")), tr)
	if err != nil || len(doubts) != 0 || len(runs) != 24 || !runs[0].Made {
		t.Fatal(len(runs), doubts, err)
	}
	read, _, err := ParseRuns("s.csv", AppendRuns(nil, runs), tr)
	if diff := cmp.Diff(runs, read, wherever); err != nil || diff != "" {
		t.Error(err, diff)
	}
	for text, want := range map[string]string{
		"1,front,with,,62.2,,,,,\n":           "2:14: step: found an empty cell",
		"1,front,with,5,62.2,,,,,\n":          "2:14: step: found 5, want a step of the trial",
		"1,front,against,8,62.2,,,,,\n":       "2:9: way: found against",
		"1,front,with,8,62.2,stopped,,,,\n":   `2:21: outcome: found "stopped", want an empty cell`,
		"1,front,,8,62.2,,1400,20,,\n":        `2:18: stop_mm: found "1400", want an empty cell`,
		"1,front,with,8,62.2 mm/s,,,,,slow\n": "2:16: speed_mm_s: found",
	} {
		if _, _, err := ParseRuns("s.csv", []byte(header+text), tr); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", text, err, want)
		}
	}
}

func TestUnitsThatLookMixedUpAreAskedAbout(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	free := tr
	free.Wanted.Speeds, free.Wanted.Steps = nil, []uint8{4, 10, 20}
	row := func(speed, stop, seconds string) string {
		return header + "1,front,with,4," + speed + ",stopped," + stop + "," + seconds + ",,\n"
	}
	for _, c := range []struct {
		trial        Trial
		text         string
		line         int
		want         string
		everythingOK bool
	}{
		{trial: tr, text: row("80", "1400", "35"), everythingOK: true},
		{trial: tr, text: row("80", "700", "17.5"), everythingOK: true},
		{tr, row("80", "1.4", ""), 2, "is it in metres?", false},
		{tr, row("80", "138", ""), 2, "is it in centimetres?", false},
		{tr, row("80", "1400", "15"), 2, "at 80 mm/s it needs at least 17.5 s", false},
		{tr, row("80", "1400", "0"), 2, "stop_s is 0", false},
		{tr, row("80", "1400", "3500"), 2, "is it in seconds?", false},
		{tr, row("0.081", "1400", ""), 0, "the wanted ones in m/s", false},
		{tr, row("16.2", "1400", ""), 0, "the wanted ones in cm/s", false},
		{tr, row("50", "1400", ""), 0, "the wanted ones in km/h to scale", false},
		{tr, row("31.2", "1400", ""), 0, "the wanted ones in miles/h to scale", false},
		{free, row("0.3", "1400", ""), 0, "are they in m/s", false},
		{free, row("3000", "1400", ""), 2, "941 km/h at 1:87.1", false},
		{tr, header + "1,front,with,,,ignored,,,,\n", 2, "neither speed_mm_s nor step", false},
	} {
		runs, doubts, err := ParseRuns("r.csv", []byte(c.text), c.trial)
		if err != nil || len(runs) != 1 {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if c.everythingOK {
			if len(doubts) != 0 {
				t.Errorf("%q: %v", c.text, doubts)
			}
			continue
		}
		if len(doubts) != 1 || doubts[0].Line != c.line || !strings.Contains(doubts[0].String(), c.want) {
			t.Errorf("%q: got %v, want %q on line %d", c.text, doubts, c.want, c.line)
		}
	}
}

func TestDoubtsOfALongFileAreCounted(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	text := header
	for i := range 30 {
		text += fmt.Sprintf("%d,front,with,,80,stopped,1.4,,,\n", i+1)
	}
	_, doubts, err := ParseRuns("r.csv", []byte(text), tr)
	if err != nil || len(doubts) != 21 || doubts[20].String() != "and 10 more such" || doubts[19].Run != 20 || doubts[19].Line != 21 {
		t.Error(err, doubts)
	}
}

func TestRunsAreReadAsTheyWereWritten(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOfNDistinct(rapid.IntRange(1, maxNumber), 1, 8, rapid.ID[int]).Draw(t, "numbers")
		var runs []Run
		for _, n := range numbers {
			r := Run{Number: n, Lead: rapid.SampledFrom(tr.Runs.Leads).Draw(t, "lead"), Way: station.Way(rapid.IntRange(0, 1).Draw(t, "way")),
				Step: uint8(rapid.IntRange(0, 28).Draw(t, "step")), Made: rapid.Bool().Draw(t, "made"),
				Note: strings.TrimSpace(rapid.StringMatching(`[ -~ü–]{0,30}`).Draw(t, "note"))}
			if rapid.Bool().Draw(t, "known") {
				r.Speed = station.MillimetresPerSecond(rapid.Float64Range(0.001, 5000).Draw(t, "speed"))
			}
			if r.Made {
				r.Outcome = Outcome(rapid.IntRange(0, 3).Draw(t, "outcome"))
				if r.Outcome == Stopped {
					r.Stop = station.Millimetres(rapid.Float64Range(0.001, 1800).Draw(t, "stop"))
					r.Time = time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "time"))
				}
				if rapid.Bool().Draw(t, "gates") {
					at := rapid.Int64Range(1, int64(time.Minute)).Draw(t, "at")
					r.Gates = []Passing{{-100, time.Duration(-at)}, {300, time.Duration(at)}, {900, time.Duration(at + 1)}}
				}
			}
			runs = append(runs, r)
		}
		b := AppendRuns(nil, runs)
		read, _, err := ParseRuns("r.csv", b, tr)
		if diff := cmp.Diff(runs, read, wherever); err != nil || diff != "" {
			t.Fatalf("%s\n%v\n%s", b, err, diff)
		}
		if again := AppendRuns(nil, read); string(again) != string(b) {
			t.Fatalf("%s\nthen\n%s", b, again)
		}
	})
}

func TestATrialIsTakenUpWhereItWasLeft(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	plan, err := tr.Plan()
	if err != nil {
		t.Fatal(err)
	}
	made, _, err := ParseRuns("r.csv", []byte(sample(t, "night-mail-30.csv")), tr)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Resume(plan, made[:10])
	want := append(append([]Run{}, made[:10]...), plan[10:]...)
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Error(err, diff)
	}
	if plan[0].Made {
		t.Error("the plan was changed")
	}
	other := made[0]
	other.Lead = station.Front
	for _, c := range []struct {
		made []Run
		want string
	}{
		{[]Run{{Number: 31, Made: true}}, "found run 31, want one of the 30"},
		{[]Run{made[0], made[0]}, "found run 1 a second time"},
		{[]Run{other}, "found run 1 as front leading, with the section, want rear leading, with the section"},
	} {
		if _, err := Resume(plan, c.made); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
}

// Whatever is accepted is within its ranges, and written and read again the same.
func FuzzRuns(f *testing.F) {
	braking, speed := sampleTrial(f, "night-mail-30.toml"), sampleTrial(f, "night-mail-30-speed.toml")
	for _, name := range []string{"night-mail-30.csv", "night-mail-30-spreadsheet.csv", "night-mail-30-speed.csv"} {
		f.Add([]byte(sample(f, name)))
	}
	f.Add([]byte(header + "1,front,with,4,80,stopped,1400,35.5,-100:-1.2 300:3.7,\"a, b\"\n2,rear,against,,,,,,,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, tr := range []Trial{braking, speed} {
			runs, _, err := ParseRuns("r.csv", data, tr)
			if err != nil {
				if list := (*regtoml.Errors)(nil); !errors.As(err, &list) || len(list.List) == 0 || list.List[0].Line < 1 || list.List[0].Column < 1 {
					t.Fatalf("an error without a place: %v", err)
				}
				continue
			}
			for _, r := range runs {
				stopped := r.Made && r.Outcome == Stopped && !tr.ofSpeed()
				if r.Number < 1 || r.Step > 28 || r.Speed < 0 || r.Speed > maxSpeed || r.Stop < 0 || r.Stop > maxLength || r.Time < 0 || r.Time > time.Hour ||
					stopped != (r.Stop > 0) || stopped && r.Way == station.With && r.Stop > tr.Section.Room || len(r.Gates) > maxGates {
					t.Fatalf("accepted %+v", r)
				}
			}
			read, _, err := ParseRuns("r.csv", AppendRuns(nil, runs), tr)
			if diff := cmp.Diff(runs, read, wherever); err != nil || diff != "" {
				t.Fatalf("%v\n%s", err, diff)
			}
			Judge(tr, runs)
		}
	})
}
