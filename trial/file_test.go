package trial

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

func sample(t testing.TB, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "trials", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func sampleTrial(t testing.TB, name string) Trial {
	t.Helper()
	tr, err := Parse(name, []byte(sample(t, name)))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func TestATrialFileSaysAllOfATrial(t *testing.T) {
	want := Trial{
		Title:   "Night-mail engine 30, quay section 2",
		Vehicle: Vehicle{Name: "Night-mail engine 30", Scale: 87.1, Address: nmra.Address{Kind: nmra.Short, Number: 30}, Steps: nmra.Steps28},
		Section: station.Section{Length: 1800, Room: 1800, Gates: []station.Millimetres{-400, -100, 300, 900}, Asymmetric: 2},
		Wanted:  Wanted{Stop: 1400, Within: 40, Speeds: []station.MillimetresPerSecond{80, 160, 240}, Confidence: 0.95, Share: 0.99},
		Runs:    Runs{Repeats: 4, Leads: []station.Lead{station.Front, station.Rear}, Against: 1, Seed: 7},
	}
	got, err := Read(filepath.Join("..", "testdata", "trials", "night-mail-30.toml"))
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v\n%s", err, diff)
	}
	speed := sampleTrial(t, "night-mail-30-speed.toml")
	if diff := cmp.Diff(SpeedTrial{Steps: []uint8{1, 4, 8, 14, 20, 28}, Between: 500}, speed.Speed); diff != "" || speed.Runs.Against != 0 {
		t.Errorf("%d against\n%s", speed.Runs.Against, diff)
	}
}

func TestATrialFileThatSaysLittleHasWhatIsUsual(t *testing.T) {
	got, err := Parse("t.toml", []byte("title='x'\nvehicle={name='y', scale=160, long_address=0, steps=128}\nsection={length_mm=900.5, more_positive='left'}\n"+
		"wanted={stop_mm=700, within_mm=30, steps=[10, 126]}\nruns={repeats=2}\n"))
	want := Trial{
		Title:   "x",
		Vehicle: Vehicle{Name: "y", Scale: 160, Address: nmra.Address{Kind: nmra.Long}, Steps: nmra.Steps128},
		Section: station.Section{Length: 900.5, Room: 900.5, Higher: station.Left, Asymmetric: 2},
		Wanted:  Wanted{Stop: 700, Within: 30, Steps: []uint8{10, 126}, Confidence: 0.95, Share: 0.99},
		Runs:    Runs{Repeats: 2, Leads: []station.Lead{station.Front, station.Rear}, Against: 1},
	}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v\n%s", err, diff)
	}
}

func TestEachErrorOfATrialFileHasItsPlace(t *testing.T) {
	braking, speed := sample(t, "night-mail-30.toml"), sample(t, "night-mail-30-speed.toml")
	for _, c := range []struct{ file, old, new, want string }{
		{braking, "format = 1", "format = 2", "2:10: found 2"},
		{braking, `title = "Night-mail engine 30, quay section 2"`, `title = " "`, "3:9: found no text"},
		{braking, `title = "Night-mail engine 30, quay section 2"`, ``, "title"},
		{braking, "scale   = 87.1", "scale   = 0.5", "7:11: found 0.5"},
		{braking, "scale   = 87.1", "scale   = 1001", "7:11: found 1001"},
		{braking, "scale   = 87.1", "scale   = nan", "7:11: found nan"},
		{braking, "scale   = 87.1", `scale   = "1:87"`, `7:11: found text "1:87"`},
		{braking, "address = 30", "address = 128", "8:11: found 128"},
		{braking, "address = 30", "address = 3\nlong_address = 300", "9:16: found long_address beside address"},
		{braking, "address = 30", "long_address = 10240", "8:16: found 10240"},
		{braking, "steps   = 28", "steps   = 27", "9:11: found 27, want 14, 28 or 128"},
		{braking, "length_mm = 1800", "length_mm = 0", "12:13: found 0"},
		{braking, "length_mm = 1800", "length_mm = 100001", "12:13: found 100001"},
		{braking, "length_mm = 1800", "length_mm = inf", "12:13: found inf"},
		{braking, "room_mm   = 1800", "room_mm   = -1800", "13:13: found -1800"},
		{braking, "room_mm   = 1800", "room      = 1800", "13:1: "},
		{braking, "room_mm   = 1800", "room_mm   = 1300", "17:15: found 1400 mm, want at most 1300 mm"},
		{braking, "[-400, -100, 300, 900]", "[-400, 300, -100]", "14:13: found -100 after 300"},
		{braking, "[-400, -100, 300, 900]", "[0.5]", "14:"},
		{braking, "[-400, -100, 300, 900]", "[]\nmore_positive = 'up'", `15:17: found "up"`},
		{braking, "within_mm   = 40", "within_mm   = 0", "18:15: found 0"},
		{braking, "within_mm   = 40", "", "within_mm"},
		{braking, "[80, 160, 240]", "[]", "19:15: found a list of 0"},
		{braking, "[80, 160, 240]", "[0, 160]", "19:"},
		{braking, "[80, 160, 240]", "[80, 5001]", "19:"},
		{braking, "[80, 160, 240]", "[160, 80]", "19:15: found 80 after 160"},
		{braking, "[80, 160, 240]", "[80, 80]", "19:15: found 80 after 80"},
		{braking, "[80, 160, 240]", "[80]\nsteps = [4]", "20:9: found steps beside speeds_mm_s"},
		{braking, "speeds_mm_s = [80, 160, 240]", "steps = [29]", "19:"},
		{braking, "speeds_mm_s = [80, 160, 240]", "", "speeds_mm_s"},
		{braking, "confidence  = 0.95", "confidence  = 0.4", "20:15: found 0.4"},
		{braking, "confidence  = 0.95", "confidence  = 95", "20:15: found 95"},
		{braking, "confidence  = 0.95", "share = 1.0", "20:9: found 1.0"},
		{braking, "repeats = 4", "repeats = 0", "23:11: found 0"},
		{braking, "repeats = 4", "repeats = 101", "23:11: found 101"},
		{braking, "against = 1", "against = -1", "25:11: found -1"},
		{braking, "seed    = 7", "seed    = -7", "26:11: found -7"},
		{braking, `["front", "rear"]`, `["front", "back"]`, `24:11: found "back"`},
		{braking, `["front", "rear"]`, `["rear", "rear"]`, "24:11: found a list of 2"},
		{braking, `["front", "rear"]`, `[]`, "24:11: found a list of 0"},
		{braking, "[runs]", "[speed]\nsteps=[1]\nbetween_mm=500\n[runs]", "found [speed] beside [section]"},
		{braking, "[section]", "[sections]", "section"},
		{speed, "[speed]", "[pace]", "found neither [section]"},
		{speed, "between_mm = 500", "between_mm = 500\nlap_mm = 4712", "found between_mm and lap_mm"},
		{speed, "between_mm = 500", "", "found neither between_mm nor lap_mm"},
		{speed, "28]\nbetween_mm", "29]\nbetween_mm", "12:"},
		{speed, "repeats = 2", "repeats = 2\nagainst = 1", "17:1: "},
	} {
		if !strings.Contains(c.file, c.old) {
			t.Fatalf("the sample has no %q", c.old)
		}
		got, err := Parse("t.toml", []byte(strings.Replace(c.file, c.old, c.new, 1)))
		var list *regtoml.Errors
		if !errors.As(err, &list) || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "t.toml:") {
			t.Errorf("%q: got %v, want %q in it", c.new, err, c.want)
		}
		if diff := cmp.Diff(Trial{}, got); diff != "" {
			t.Errorf("%q: a trial beside the error: %s", c.new, diff)
		}
	}
}

func TestNoFolderIsReadAsATrialOrItsRuns(t *testing.T) {
	if _, err := Read(t.TempDir()); err == nil || !strings.Contains(err.Error(), "found a folder") {
		t.Error(err)
	}
	if _, _, err := ReadRuns(t.TempDir(), Trial{}); err == nil || !strings.Contains(err.Error(), "found a folder") {
		t.Error(err)
	}
	if _, _, err := ReadRuns(filepath.Join(t.TempDir(), "none.csv"), Trial{}); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

// inRange says what of a trial is outside what may be said.
func inRange(tr Trial) error {
	within := func(what string, v, low, high float64) error {
		if !(v >= low && v <= high) {
			return fmt.Errorf("%s is %v", what, v)
		}
		return nil
	}
	errs := []error{
		within("scale", tr.Vehicle.Scale, 1, 1000),
		within("top step", float64(tr.Vehicle.Steps.Top()), 14, 126),
		within("repeats", float64(tr.Runs.Repeats), 1, 100),
		within("leads", float64(len(tr.Runs.Leads)), 1, 2),
	}
	if tr.ofSpeed() {
		errs = append(errs, within("stretch", float64(tr.Speed.Between+tr.Speed.Lap), 1, 100_000))
	} else {
		errs = append(errs, within("length", float64(tr.Section.Length), 1, 100_000), within("room", float64(tr.Section.Room), 1, 100_000),
			within("stop", float64(tr.Wanted.Stop), 1, float64(tr.Section.Room)), within("tolerance", float64(tr.Wanted.Within), 0.1, 100_000),
			within("confidence", tr.Wanted.Confidence, 0.5, 0.999), within("share", tr.Wanted.Share, 0.5, 0.9999))
		for _, v := range tr.Wanted.Speeds {
			errs = append(errs, within("speed", float64(v), 1, 5000))
		}
	}
	for _, s := range append(tr.Wanted.Steps, tr.Speed.Steps...) {
		errs = append(errs, within("step", float64(s), 1, float64(tr.Vehicle.Steps.Top())))
	}
	return errors.Join(errs...)
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(sample(f, "night-mail-30.toml")))
	f.Add([]byte(sample(f, "night-mail-30-speed.toml")))
	f.Fuzz(func(t *testing.T, data []byte) {
		tr, err := Parse("t.toml", data)
		if err != nil {
			if list := (*regtoml.Errors)(nil); !errors.As(err, &list) || len(list.List) == 0 {
				t.Fatalf("an error without a place: %v", err)
			}
			return
		}
		if err := inRange(tr); err != nil {
			t.Fatal(err)
		}
		runs, err := tr.Plan()
		if err != nil {
			t.Fatal(err)
		}
		if tr.Takes(runs) <= 0 {
			t.Fatalf("%d runs take %v", len(runs), tr.Takes(runs))
		}
		read, _, err := ParseRuns("r.csv", AppendRuns(nil, runs), tr)
		if diff := cmp.Diff(runs, read, wherever); err != nil || diff != "" {
			t.Fatalf("%v\n%s", err, diff)
		}
	})
}
