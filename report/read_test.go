package report

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
	"fettle/nmra/wave/capture"
	"fettle/prog/journal"
	"fettle/trial"
)

// instant is when what these tests make was made.
var instant = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// folderOf makes a folder of files, by their names.
func folderOf(t testing.TB, files map[string]string) string {
	t.Helper()
	path := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(path, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

// given is a file of the project's own testdata.
func given(t testing.TB, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func read(t testing.TB, path string) Folder {
	t.Helper()
	f, err := Read(t.Context(), path, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// batch keeps a journal in a folder, as a batch on the night-mail engine's decoder does, and gives the name of its file.
func batch(t testing.TB, folder, verb string, when time.Time, do func(j *journal.Journal) error) string {
	t.Helper()
	j := journal.New(folder, verb, journal.Header{Batch: verb, Title: "quay line", When: when, Station: "simulated bench: night-mail engine 30"})
	j.For(journal.Decoder{Maker: 13, Version: 34})
	if err := do(j); err != nil {
		t.Fatal(err)
	}
	return filepath.Base(j.Path())
}

// wrote writes values over others, finds what is left of them, and ends.
func wrote(held, wanted, found cv.Values, how string) func(j *journal.Journal) error {
	return func(j *journal.Journal) error {
		err := errors.Join(j.Held(held), j.Wanted(wanted))
		for _, r := range wanted.Registers() {
			err = errors.Join(err, j.Writing(r, wanted[r]))
		}
		return errors.Join(err, j.Found(found), j.End(how))
	}
}

func values(pairs ...int) cv.Values {
	v := cv.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v[register(pairs[i])] = uint8(pairs[i+1])
	}
	return v
}

func register(n int) cv.Register { r, _ := cv.ParseRegister(fmt.Sprint(n)); return r }

func surveyText(when time.Time, registers string) string {
	return "when = " + when.Format(time.RFC3339) + "\n[decoder]\nmaker = 13\nversion = 34\n[registers]\n" + registers
}

// names gives the names of files.
func names[T any](list []T, file func(T) string) (all []string) {
	for _, one := range list {
		all = append(all, file(one))
	}
	return all
}

func TestEachFileIsWhatIsInItWhateverItsName(t *testing.T) {
	path := folderOf(t, map[string]string{
		"1":      given(t, "surveys/engine-30-bought.toml"),
		"2.txt":  given(t, "sets/engine-30-quay.toml"),
		"3.csv":  given(t, "sheets/engine-30.toml"),
		"4.x":    given(t, "sheets/engine-30-probe.toml"),
		"quay":   given(t, "trials/night-mail-30.toml"),
		"speed":  given(t, "trials/night-mail-30-speed.toml"),
		"quay.1": given(t, "trials/night-mail-30.csv"),
		"speed1": given(t, "trials/night-mail-30-speed.csv"),
		"8.toml": given(t, "captures/quay-section-2.wav"),
	})
	name := batch(t, path, "apply", instant, wrote(values(3, 1), values(3, 2), values(3, 2), "proven"))
	if err := os.Rename(filepath.Join(path, name), filepath.Join(path, "9")); err != nil {
		t.Fatal(err)
	}
	f := read(t, path)
	got := map[string][]string{
		"surveys":  names(f.Surveys, func(s Survey) string { return s.File }),
		"sets":     names(f.Sets, func(s Set) string { return s.File }),
		"sheets":   names(f.Sheets, func(s Sheet) string { return s.File }),
		"probes":   names(f.Probes, func(p Probe) string { return p.File }),
		"trials":   names(f.Trials, func(t Trial) string { return t.File + " " + t.Books[0].File }),
		"speeds":   names(f.Speeds, func(t Trial) string { return t.File + " " + t.Books[0].File }),
		"captures": names(f.Captures, func(c Capture) string { return c.File }),
		"journals": names(f.Journals, func(j Journal) string { return j.File }),
		"unread":   names(f.Unread, func(u Unread) string { return u.File + ": " + u.Why }),
	}
	want := map[string][]string{
		"surveys": {"1"}, "sets": {"2.txt"}, "sheets": {"3.csv"}, "probes": {"4.x"}, "trials": {"quay quay.1"}, "speeds": {"speed speed1"},
		"captures": {"8.toml"}, "journals": {"9"}, "unread": nil,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if n := len(f.Surveys[0].Registers); n < 150 {
		t.Errorf("%d registers in the survey, want all", n)
	}
	if f.Trials[0].Books[0].Verdict.Fitness != trial.Fit || len(f.Trials[0].Books[0].Runs) != 30 {
		t.Errorf("the runs of the quay: %+v", f.Trials[0].Books[0].Verdict.Sentence)
	}
	if f.Name != filepath.Base(path) || f.Path != path || f.Empty() {
		t.Errorf("the folder: %q, %q, empty %v", f.Name, f.Path, f.Empty())
	}
}

func TestWhatIsNoPartOfAReportSaysWhy(t *testing.T) {
	path := folderOf(t, map[string]string{
		"empty.toml":    " \n",
		"bench.toml":    given(t, "decoders/engine-21-as-bought.toml"),
		"station.toml":  given(t, "stations/quay.toml"),
		"notes.md":      "# Night-mail engine 30\n\nIt hums.\n",
		"other.toml":    "colour = \"green\"\n",
		"broken.toml":   "colour = green\n",
		"wide.csv":      "\xff\xfer\x00u\x00n\x00",
		"parts.csv":     "part,price\nmotor,12\n",
		"binary":        "\x7fELF\x02\x00\x01",
		"set.toml":      "title = \"Quay\"\n[registers]\n3 = 300\n",
		"cut.toml":      "when = 2026-11-25T08:00:00Z\n[registers]\n3 = \n",
		"runs.csv":      "run,lead,way,outcome\n1,front,with,stopped\n",
		"b.journal":     "",
		"c.journal":     "{\"format\":9}\n",
		"signal.vcd":    "$date today $end\n",
		"large.toml":    "[registers]\n3 = 1 #" + strings.Repeat("x", 1<<20),
		"control\x1b[2": "no file of ours",
		"sheet.toml":    "groups = [\"a\", \"a\"]\n[decoder]\nmaker = 13\n[registers]\n",
		"misspelt.toml": strings.Replace(brakingText("[80]"), "scale", "scal", 1),
	})
	if err := os.Symlink("set.toml", filepath.Join(path, "link.toml")); err != nil {
		t.Fatal(err)
	}
	f := read(t, path)
	got := map[string]string{}
	for _, u := range f.Unread {
		got[u.File] = u.Why
	}
	want := map[string]string{
		"empty.toml": "found an empty file", "bench.toml": "simulated bench", "station.toml": "profile of a station", "notes.md": "none of our files",
		"other.toml": "none of our files", "broken.toml": "line 1, column 10: found", "wide.csv": "found UTF-16, want UTF-8",
		"parts.csv": "neither runs nor a track signal", "binary": "no text", "set.toml": "line 3, column 5: found 300", "cut.toml": "line 3, column 5: ",
		"runs.csv": "no trial in the folder", "b.journal": "line 1: found no whole line", "c.journal": "line 1: found format 9", "signal.vcd": "want",
		"large.toml": "bytes, want at most 1048576", "control\x1b[2": "none of our files", "sheet.toml": "line 1, column 10: found group", "link.toml": "found a link, want a file",
		"misspelt.toml": `found no key "scale"`,
	}
	for name, why := range want {
		if !strings.Contains(got[name], why) {
			t.Errorf("%q: %q, want %q", name, got[name], why)
		}
		if strings.Contains(got[name], name) {
			t.Errorf("%q: %q says the name again", name, got[name])
		}
	}
	if len(got) != len(want) || !f.Empty() {
		t.Errorf("unread are %v", f.Unread)
	}
}

func TestPagesHiddenFilesAndFoldersBelowAreLeftOutWithoutAWord(t *testing.T) {
	path := folderOf(t, map[string]string{
		"report.html": "<html>", "report.pdf": "%PDF", "stops.SVG": "<svg>", "stops.png": "\x89PNG", ".set.toml": "[registers]\n3 = 1\n",
	})
	below := filepath.Join(path, "below")
	if err := errors.Join(os.Mkdir(below, 0o755), os.WriteFile(filepath.Join(below, "set.toml"), []byte("[registers]\n3 = 1\n"), 0o644)); err != nil {
		t.Fatal(err)
	}
	if f := read(t, path); !f.Empty() || len(f.Unread) != 0 {
		t.Errorf("got %+v", f)
	}
}

func TestHostileNamesAreNamesAndNothingElse(t *testing.T) {
	hostile := []string{"<script>alert(1)<!--.toml", "a\"b'c.toml", "line\nbreak.toml", "\u202egnp.toml", "\xff\xfe.toml", "colon: 1:1: found.toml", "-rf.toml", "=1+1.toml"}
	files := map[string]string{}
	for _, name := range hostile {
		files[name] = "title = '<b>&\"'\n[registers]\n3 = 300\n"
		files["good "+name] = "title = '<b>&\"'\n[registers]\n3 = 3\n"
	}
	f := read(t, folderOf(t, files))
	if len(f.Sets) != len(hostile) || len(f.Unread) != len(hostile) {
		t.Fatalf("%d sets, unread %v", len(f.Sets), f.Unread)
	}
	for _, u := range f.Unread {
		if _, ok := files[u.File]; !ok || !strings.HasPrefix(u.Why, "line 3, column 5: found 300") {
			t.Errorf("%q: %q", u.File, u.Why)
		}
	}
	for _, s := range f.Sets {
		if _, ok := files[s.File]; !ok || s.Title != "<b>&\"" {
			t.Errorf("%q: %q", s.File, s.Title)
		}
	}
}

func TestAFolderThatCantBeReadIsAnError(t *testing.T) {
	path := folderOf(t, map[string]string{"set.toml": "[registers]\n3 = 1\n"})
	if _, err := Read(t.Context(), filepath.Join(path, "none"), nil); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "none") {
		t.Errorf("no folder: %v", err)
	}
	if _, err := Read(t.Context(), filepath.Join(path, "set.toml"), nil); err == nil {
		t.Error("a file in place of a folder is no error")
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := Read(stopped, path, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

func TestAFolderOfTooManyFilesIsRefused(t *testing.T) {
	path := t.TempDir()
	for n := range mostFiles + 1 {
		if err := os.WriteFile(filepath.Join(path, fmt.Sprintf(".%d", n)), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Read(t.Context(), path, nil); err == nil || !strings.Contains(err.Error(), "more than 10000 files") {
		t.Errorf("got %v", err)
	}
}

func TestProgressHearsOfEachFile(t *testing.T) {
	path := folderOf(t, map[string]string{"a.toml": "[registers]\n3 = 1\n", "b.toml": "[registers]\n3 = 1\n"})
	var heard []string
	_, err := Read(t.Context(), path, func(doing string, done, of int) { heard = append(heard, fmt.Sprint(doing, " ", done, " ", of)) })
	if diff := cmp.Diff([]string{"reading a.toml 0 2", "reading b.toml 1 2", "reading runs 2 2"}, heard); diff != "" || err != nil {
		t.Errorf("%v (-want +got)\n%s", err, diff)
	}
}

func TestASetWithTheNamesOfASheetIsReadWithIt(t *testing.T) {
	f := read(t, folderOf(t, map[string]string{
		"sheet.toml": given(t, "sheets/engine-30.toml"),
		"a.toml":     "[registers]\nacceleration = 12\n",
	}))
	if len(f.Sets) != 1 || f.Sets[0].Registers[register(3)] != 12 {
		t.Errorf("sets %+v, unread %v", f.Sets, f.Unread)
	}
}

// brakingText is a trial of braking at some speeds, speedText one of speed at some steps.
func brakingText(speeds string) string {
	return "title = \"Quay\"\n[vehicle]\nname = \"Engine 30\"\nscale = 87.1\n[section]\nlength_mm = 1800\n[wanted]\nstop_mm = 1400\nwithin_mm = 40\n" +
		"speeds_mm_s = " + speeds + "\n[runs]\nrepeats = 1\n"
}

func speedText(steps string) string {
	return "title = \"Speed\"\n[vehicle]\nname = \"Engine 30\"\nscale = 87.1\n[speed]\nsteps = " + steps + "\nbetween_mm = 500\n[runs]\nrepeats = 1\n"
}

const (
	slowRuns  = "run,lead,way,speed_mm_s,outcome,stop_mm\n1,front,with,80,stopped,1400\n2,rear,with,81,stopped,1401\n"
	stepsRuns = "run,lead,step,speed_mm_s\n1,front,4,80\n2,rear,8,160\n"
)

func TestRunsAreTiedToTheTrialThatTheyAreNamedAfterElseToTheOnlyOneThatTheyFit(t *testing.T) {
	for name, c := range map[string]struct {
		files map[string]string
		want  string // the trial of x.csv
		why   string // or why there is none
	}{
		"the longest name": {map[string]string{"quay.toml": brakingText("[80]"), "quay-2.toml": brakingText("[80]"), "quay-2-b.csv": slowRuns}, "quay-2.toml", ""},
		"not half a number": {map[string]string{"engine-3.toml": brakingText("[300]"), "night.toml": brakingText("[80]"), "engine-30.csv": slowRuns},
			"night.toml", ""},
		"by speeds":       {map[string]string{"a.toml": brakingText("[80]"), "b.toml": brakingText("[160, 240]"), "x.csv": slowRuns}, "a.toml", ""},
		"by kind":         {map[string]string{"a.toml": brakingText("[80]"), "b.toml": speedText("[4, 8]"), "x.csv": slowRuns}, "a.toml", ""},
		"by kind, speed":  {map[string]string{"a.toml": brakingText("[80]"), "b.toml": speedText("[4, 8]"), "x.csv": stepsRuns}, "b.toml", ""},
		"by steps":        {map[string]string{"a.toml": speedText("[1, 2]"), "b.toml": speedText("[4, 8]"), "x.csv": stepsRuns}, "b.toml", ""},
		"named wrongly":   {map[string]string{"x.toml": speedText("[1]"), "b.toml": brakingText("[80]"), "x.csv": slowRuns}, "b.toml", ""},
		"two fit":         {map[string]string{"a.toml": brakingText("[80]"), "b.toml": brakingText("[80]"), "x.csv": slowRuns}, "", "fit a.toml and b.toml alike"},
		"none fits":       {map[string]string{"a.toml": brakingText("[160]"), "b.toml": brakingText("[240]"), "x.csv": slowRuns}, "", "fit none of a.toml and b.toml"},
		"with a mistake":  {map[string]string{"x.toml": brakingText("[80]"), "x.csv": slowRuns + "3,top,with,80,stopped,1\n"}, "", "line 4, column 3: lead"},
		"the only trial":  {map[string]string{"a.toml": brakingText("[80]"), "x.csv": slowRuns + "3,top,with,80,stopped,1\n"}, "", "line 4, column 3: lead"},
		"without a trial": {map[string]string{"x.csv": slowRuns}, "", "no trial in the folder"},
	} {
		t.Run(name, func(t *testing.T) {
			f := read(t, folderOf(t, c.files))
			got := ""
			for _, one := range slices.Concat(f.Trials, f.Speeds) {
				if len(one.Books) > 0 {
					got += one.File
				}
			}
			why := ""
			if len(f.Unread) > 0 {
				why = f.Unread[0].Why
			}
			if got != c.want || (c.why == "") != (why == "") || !strings.Contains(why, c.why) {
				t.Errorf("tied to %q, unread %v; want %q, %q", got, f.Unread, c.want, c.why)
			}
		})
	}
}

func TestBooksAreInTheOrderOfTheirSittingsElseOfTheirNamesAsAPersonCounts(t *testing.T) {
	at := func(hour int) string {
		return string(trial.AppendSittings(nil, []trial.Sitting{{When: instant.Add(time.Duration(hour) * time.Hour), Station: "bench"}}))
	}
	f := read(t, folderOf(t, map[string]string{
		"quay.toml": brakingText("[80]"), "quay-10.csv": slowRuns, "quay-2.csv": slowRuns, "quay-before.csv": at(1) + slowRuns, "quay-after.csv": at(2) + slowRuns,
	}))
	got := names(f.Trials[0].Books, func(b Book) string { return b.File })
	if diff := cmp.Diff([]string{"quay-2.csv", "quay-10.csv", "quay-before.csv", "quay-after.csv"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if b := f.Trials[0].Books[3]; len(b.Made) != 1 || b.Made[0].Station != "bench" || b.Runs[0].Line != 3 {
		t.Errorf("the last book: %+v", b)
	}
}

func TestACaptureIsMeasuredAsFarAsItCanBeRead(t *testing.T) {
	whole := given(t, "captures/quay-section-2.wav")
	f := read(t, folderOf(t, map[string]string{"whole.wav": whole, "cut.wav": whole[:len(whole)/2], "head.wav": whole[:20]}))
	if len(f.Captures) != 2 || len(f.Unread) != 1 || f.Unread[0].File != "head.wav" {
		t.Fatalf("captures %v, unread %v", names(f.Captures, func(c Capture) string { return c.File }), f.Unread)
	}
	cut, all := f.Captures[0], f.Captures[1]
	if all.Result.Traffic.Packets == 0 || all.Stopped != "" || all.Info.Form != capture.WAV || len(all.Strips) == 0 {
		t.Errorf("whole: %d packets, stopped %q, %v, %d strips", all.Result.Traffic.Packets, all.Stopped, all.Info.Form, len(all.Strips))
	}
	if n := cut.Result.Traffic.Packets; n == 0 || n >= all.Result.Traffic.Packets || !strings.Contains(cut.Stopped, "bytes of it are missing") {
		t.Errorf("cut: %d packets, stopped %q", n, cut.Stopped)
	}
	if !slices.ContainsFunc(f.Failures(), func(x Failure) bool { return x.File == "cut.wav" && strings.Contains(x.What, "not read to its end") }) {
		t.Errorf("failures: %v", f.Failures())
	}
}

func TestACaptureThatIsTooLargeIsNotMeasured(t *testing.T) {
	path := folderOf(t, map[string]string{"long.wav": given(t, "captures/quay-section-2.wav")})
	if err := os.Truncate(filepath.Join(path, "long.wav"), mostCapture+1); err != nil { // with a hole: it takes no room
		t.Skip(err)
	}
	f := read(t, path)
	if len(f.Captures) != 0 || len(f.Unread) != 1 || !strings.Contains(f.Unread[0].Why, "fettle signal measures it") {
		t.Errorf("captures %d, unread %v", len(f.Captures), f.Unread)
	}
}

func TestASurveyOrAJournalThatWasCutIsReadOrSaysWhy(t *testing.T) {
	survey := given(t, "surveys/engine-30-bought.toml")
	path := t.TempDir()
	name := batch(t, path, "apply", instant, wrote(values(3, 1, 4, 1), values(3, 2, 4, 2), values(3, 2, 4, 2), "proven"))
	data, err := os.ReadFile(filepath.Join(path, name))
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n < 40; n++ {
		f := read(t, folderOf(t, map[string]string{"s.toml": survey[:len(survey)*n/40], "j.journal": string(data[:len(data)*n/40])}))
		if len(f.Surveys)+len(f.Journals)+len(f.Unread) != 2 {
			t.Errorf("cut to %d/40: %d surveys, %d journals, unread %v", n, len(f.Surveys), len(f.Journals), f.Unread)
		}
	}
}

func TestTheSameFolderGivesTheSame(t *testing.T) {
	path := folderOf(t, map[string]string{
		"1.toml": given(t, "surveys/engine-30-bought.toml"), "2.toml": given(t, "sheets/engine-30.toml"), "quay.toml": given(t, "trials/night-mail-30.toml"),
		"quay-1.csv": given(t, "trials/night-mail-30.csv"), "bad.toml": "x", "signal.wav": given(t, "captures/quay-section-2.wav"),
	})
	batch(t, path, "apply", instant, wrote(values(3, 1), values(3, 2), values(3, 4), "not proven"))
	a, b := read(t, path), read(t, path)
	for what, of := range map[string]func(f Folder) any{
		"the folder": func(f Folder) any { return f }, "failures": func(f Folder) any { return f.Failures() }, "now": func(f Folder) any { return f.Now() },
	} {
		if diff := cmp.Diff(fmt.Sprintf("%+v", of(a)), fmt.Sprintf("%+v", of(b))); diff != "" {
			t.Errorf("%s: %s", what, diff)
		}
	}
}

func TestNamesAreOrderedAsAPersonCounts(t *testing.T) {
	want := []string{"", "01", "1", "2", "10", "a", "run", "run-02", "run-2", "run-2b", "run-10", "runs", "ä"}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, natural)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

// large makes a folder of 100 surveys of 1024 registers, and 10 000 runs in 10 files.
func large(t testing.TB) string {
	t.Helper()
	path := t.TempDir()
	for n := range 100 {
		var text strings.Builder
		for r := 1; r <= 1024; r++ {
			fmt.Fprintf(&text, "%d = %d\n", r, (r*7+n*(r%3))%256)
		}
		write(t, path, fmt.Sprintf("survey-%d.toml", n), surveyText(instant.Add(time.Duration(n)*time.Hour), text.String()))
	}
	write(t, path, "quay.toml", given(t, "trials/night-mail-30.toml"))
	for n := range 10 {
		text := string(trial.AppendSittings(nil, []trial.Sitting{{When: instant.Add(time.Duration(n) * time.Hour), Station: "simulated bench: night-mail engine 30"}})) +
			"run,lead,way,speed_mm_s,outcome,stop_mm,stop_s\n"
		for r := range 1000 {
			lead, v := [2]string{"front", "rear"}[r%2], 80*(1+r/2%3)
			if r%10 == 0 {
				text += fmt.Sprintf("%d,%s,against,%d,ignored,,\n", r+1, lead, v)
			} else {
				text += fmt.Sprintf("%d,%s,with,%d,stopped,%d,%.1f\n", r+1, lead, v, 1390+r*37%20, 2*1400/float64(v))
			}
		}
		write(t, path, fmt.Sprintf("quay-%d.csv", n), text)
	}
	return path
}

func write(t testing.TB, path, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(path, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestALargeFolderIsReadWhole(t *testing.T) {
	f := read(t, large(t))
	runs := 0
	for _, b := range f.Trials[0].Books {
		runs += len(b.Runs)
	}
	holds, ok := f.Holds()
	if len(f.Surveys) != 100 || runs != 10_000 || len(f.Unread) != 0 || !ok || len(holds.Registers) != 1024 || holds.File != "survey-99.toml" {
		t.Errorf("%d surveys, %d runs, unread %v, holds %s", len(f.Surveys), runs, f.Unread, holds.File)
	}
	if n := len(f.Changes()); n != 99 {
		t.Errorf("%d changes, want 99", n)
	}
}

func BenchmarkReadALargeFolder(b *testing.B) {
	path := large(b)
	for b.Loop() {
		if _, err := Read(b.Context(), path, nil); err != nil {
			b.Fatal(err)
		}
	}
}

func TestRunsThatWereRefusedAreSaidSoWhereAVerdictIsLookedFor(t *testing.T) {
	const decimals = "run;lead;way;speed_mm_s;outcome;stop_mm\n1;front;with;80;stopped;1.400\n2;rear;with;80;stopped;1.395,5\n"
	const twice = "run,lead,way,speed_mm_s,outcome,stop_mm\n1,front,with,80,stopped,1400\n1,rear,with,80,stopped,1395\n"
	for _, text := range []string{decimals, twice} {
		f := read(t, folderOf(t, map[string]string{"quay.toml": given(t, "trials/night-mail-30.toml"), "quay.runs.csv": text}))
		refused := f.Refused()
		if len(refused) != 1 || refused[0].File != "quay.runs.csv" || !strings.Contains(refused[0].Why, "line 3") {
			t.Fatalf("refused are %+v", refused)
		}
		if failed := f.Failures(); len(failed) != 1 || failed[0].File != "quay.runs.csv" || !strings.Contains(failed[0].What, refused[0].Why) {
			t.Errorf("failed are %+v", failed)
		}
		_, root := onPage(t, f)
		told := textOf(byID(t, root, "verdict").Parent)
		for _, want := range []string{"No verdict : a file of runs is there, and was refused: quay.runs.csv .", "Refused.", refused[0].Why} {
			if !strings.Contains(told, want) {
				t.Errorf("want %q in %q", want, told)
			}
		}
	}
}

func TestRunsOfARefusedTrialAreOfNoOther(t *testing.T) {
	f := read(t, folderOf(t, map[string]string{
		"quay.toml": "[wanted]\nstop_mm = 0\n", "other.toml": given(t, "trials/night-mail-30.toml"), "quay.runs.csv": given(t, "trials/night-mail-30.csv"),
	}))
	refused := f.Refused()
	if _, _, ok := f.Deciding(); ok || len(refused) != 1 || refused[0].Why != "found runs, and quay.toml, which they belong to, was refused: mend it first" {
		t.Errorf("refused are %+v, decided: %v", refused, ok)
	}
}
