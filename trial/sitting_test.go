package trial

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestSittingsReadAsTheyWereWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sittings := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Sitting {
			return Sitting{
				time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "when"), 0).UTC(),
				rapid.StringMatching(`[a-z"] ?[a-zé:, on]{0,40}[a-z"]`).Draw(t, "station"),
			}
		}), 0, 5).Draw(t, "sittings")
		text := AppendSittings(nil, sittings)
		if got := ParseSittings(AppendRuns(text, nil)); !slices.Equal(got, sittings) {
			t.Fatalf("%q: got %v, want %v", text, got, sittings)
		}
	})
}

func TestSittingsAreFoundAsASpreadsheetSavedThem(t *testing.T) {
	want := []Sitting{{time.Date(2026, 11, 25, 20, 55, 0, 0, time.UTC), `bench, "quay"`}}
	for _, text := range []string{
		`# made 2026-11-25T20:55:00Z on bench, "quay"`,
		"\ufeff# made 2026-11-25T20:55:00Z on bench, \"quay\";;;;\r\n",
		`"# made 2026-11-25T20:55:00Z on bench, ""quay""",,,,` + "\r\n1,front,with\r\n",
		`# made 2026-11-25T21:55:00+01:00 on bench, "quay"` + "\n# a comment\n# made yesterday on something\n# made 2026-11-25T20:55:00Z\n",
	} {
		if diff := cmp.Diff(want, ParseSittings([]byte(text))); diff != "" {
			t.Errorf("%q (-want +got)\n%s", text, diff)
		}
	}
}

func TestRunsAreReadBesideTheirSittings(t *testing.T) {
	for _, quoted := range []string{"# made 2026-11-25T20:55:00Z on bench,,\n", "\"# made 2026-11-25T20:55:00Z on bench, quay\",,\n"} {
		text := quoted + "run,lead,way,outcome,stop_mm\n1,front,with,stopped,1400\n# left here\n2,rear,with,stopped,1390\n"
		runs, _, err := ParseRuns("x.csv", []byte(text), sampleTrial(t, "night-mail-30.toml"))
		if err != nil || len(runs) != 2 || runs[0].Line != 3 || runs[1].Line != 5 {
			t.Errorf("%q: %v, %v", text, runs, err)
		}
	}
}

func FuzzSittings(f *testing.F) {
	f.Add("# made 2026-11-25T20:55:00Z on bench\n")
	f.Add("\"# made 2026-11-25T20:55:00Z on \"\n")
	f.Fuzz(func(t *testing.T, text string) {
		for _, s := range ParseSittings([]byte(text)) {
			again := AppendSittings(nil, []Sitting{s})
			if strings.Count(string(again), "\n") != 1 {
				t.Fatalf("%v becomes %q, want one line", s, again)
			}
		}
	})
}

func TestANoteInFrontThatBeginsWithANumberSignIsOfARun(t *testing.T) {
	text := "\"# made 2026-11-25T20:55:00Z on bench, quay\"\nnote,run,lead,way,outcome,stop_mm\n\"#2 was dirty, wiped\",1,front,with,stopped,1400\n"
	runs, _, err := ParseRuns("x.csv", []byte(text), sampleTrial(t, "night-mail-30.toml"))
	if err != nil || len(runs) != 1 || runs[0].Note != "#2 was dirty, wiped" {
		t.Errorf("%v, %v", runs, err)
	}
}

func TestASittingIsInTheBookOnceARunIsMadeInIt(t *testing.T) {
	earlier, now := Sitting{time.Unix(1, 0).UTC(), "bench"}, Sitting{time.Unix(2, 0).UTC(), "board"}
	b := Book{Runs: []Run{{Number: 1, Made: true}, {Number: 2}}, Sittings: []Sitting{earlier}}
	for _, step := range []struct {
		first, second bool // are made
		want          []Sitting
	}{
		{false, false, []Sitting{earlier}}, // undone
		{true, false, []Sitting{earlier, now}},
		{true, true, []Sitting{earlier, now}},
	} {
		before := slices.Clone(b.Sittings)
		next := b.Add([]Run{{Number: 1, Made: step.first}, {Number: 2, Made: step.second}}, now)
		if !slices.Equal(next.Sittings, step.want) || !slices.Equal(b.Sittings, before) {
			t.Errorf("%+v: got %v, and %v before", step, next.Sittings, b.Sittings)
		}
		b = next
	}
	if none := (Book{}).Add([]Run{{Number: 1, Made: true}}, Sitting{}); len(none.Sittings) > 0 {
		t.Errorf("got %v, want none", none.Sittings)
	}
}
