package report

import (
	"errors"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/trial"
)

func TestTheVerdictRestsOnTheBookThatWasMadeLast(t *testing.T) {
	made := []trial.Run{{Number: 1, Made: true}}
	at := func(hour int) []trial.Sitting {
		return []trial.Sitting{{When: instant.Add(time.Duration(hour) * time.Hour)}}
	}
	for name, c := range map[string]struct {
		trials []Trial
		want   string
	}{
		"of two trials":                      {[]Trial{{Books: []Book{{File: "b", Runs: made, Made: at(1)}, {File: "a", Runs: made, Made: at(3)}}}, {Books: []Book{{File: "c", Runs: made, Made: at(2)}}}}, "a"},
		"a dated one before one that is not": {[]Trial{{Books: []Book{{File: "z", Runs: made}, {File: "a", Runs: made, Made: at(1)}}}}, "a"},
		"without dates by name":              {[]Trial{{Books: []Book{{File: "run-2", Runs: made}, {File: "run-10", Runs: made}}}}, "run-10"},
		"not one that is only planned":       {[]Trial{{Books: []Book{{File: "a", Runs: made, Made: at(1)}, {File: "b", Runs: []trial.Run{{Number: 1}}, Made: at(2)}}}}, "a"},
		"none":                               {[]Trial{{Books: []Book{{File: "b", Runs: []trial.Run{{Number: 1}}}}}}, ""},
	} {
		if _, b, ok := (Folder{Trials: c.trials}).Deciding(); b.File != c.want || ok != (c.want != "") {
			t.Errorf("%s: %q, %v, want %q", name, b.File, ok, c.want)
		}
	}
}

func guard(maker, version int) regset.Guard {
	m, v := uint8(maker), uint8(version)
	if version < 0 {
		return regset.Guard{Maker: &m}
	}
	return regset.Guard{Maker: &m, Version: &v}
}

func survey(file string, second int, held cv.Values) Survey {
	return Survey{file, regset.Survey{Decoder: guard(13, 34), When: instant.Add(time.Duration(second) * time.Second), Registers: held}}
}

func TestTheFolderIsAboutTheDecoderOfTheLastWholeSurvey(t *testing.T) {
	other := survey("b", 5, nil)
	other.Decoder = guard(99, 1)
	stopped := survey("c", 9, nil)
	stopped.Decoder, stopped.Left = guard(98, 1), []cv.Register{register(3)}
	f := Folder{
		Surveys:  []Survey{other, survey("a", 7, nil), stopped},
		Journals: []Journal{{File: "d", Record: journal.Record{Header: journal.Header{When: instant, Decoder: journal.Decoder{Maker: 13, Version: 34}}}}},
	}
	var got []string
	for _, g := range f.Decoders() {
		got = append(got, g.String())
	}
	if diff := cmp.Diff([]string{"maker 13, version 34", "maker 98, version 1", "maker 99, version 1"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if s, ok := f.Holds(); s.File != "a" || !ok {
		t.Errorf("holds %q, %v", s.File, ok)
	}
	if _, ok := (Folder{Surveys: []Survey{stopped}}).Holds(); ok {
		t.Error("a survey that was stopped says what the decoder holds")
	}
	bare := survey("e", 9, values(8, 13, 7, 21))
	bare.Decoder = regset.Guard{}
	if got := (Folder{Surveys: []Survey{bare}}).Decoders(); len(got) != 1 || got[0].String() != "maker 13, version 21" {
		t.Errorf("from registers 8 and 7: %v", got)
	}
}

func TestTheSheetIsTheOneThatSaysMostExactlyThatItIsForTheDecoder(t *testing.T) {
	sheetFor := func(file string, g regset.Guard) Sheet {
		s := Sheet{File: file}
		s.Decoder = g
		return s
	}
	sheets := []Sheet{sheetFor("other", guard(13, 35)), sheetFor("maker", guard(13, -1)), sheetFor("exact", guard(13, 34)), sheetFor("maker 2", guard(13, -1))}
	surveys := []Survey{survey("a", 0, nil)}
	for _, c := range []struct {
		f    Folder
		want string
	}{
		{Folder{Surveys: surveys, Sheets: sheets}, "exact"},
		{Folder{Surveys: surveys, Sheets: sheets[:2]}, "maker"},
		{Folder{Surveys: surveys, Sheets: sheets[:1]}, ""},
		{Folder{Sheets: sheets[:1]}, "other"},
		{Folder{Sheets: sheets}, ""},
	} {
		if got := c.f.Sheet().File; got != c.want {
			t.Errorf("of %d sheets %q, want %q", len(c.f.Sheets), got, c.want)
		}
	}
}

// did is a batch at a second, that found some values and left others.
func did(file, verb string, second int, held, left cv.Values, ended string) Journal {
	j := Journal{File: file, Record: journal.Record{Header: journal.Header{Batch: verb, When: instant.Add(time.Duration(second)*time.Second + 500*time.Millisecond),
		Decoder: journal.Decoder{Maker: 13, Version: 34}}, Held: held, Found: left, Ended: ended}}
	if verb != "reset" {
		j.Wanted = left
	}
	for _, r := range left.Registers() {
		j.Writes = append(j.Writes, journal.Write{Register: r, Value: left[r]})
	}
	return j
}

func TestDefaultsAreOfTheSheetElseOfASurveyStraightAfterAResetElseOfTheReset(t *testing.T) {
	bought, reset := values(3, 30, 4, 22), values(3, 24, 4, 16)
	of := func(surveys []Survey, journals ...Journal) Folder {
		return Folder{Surveys: surveys, Journals: journals}
	}
	more := maps.Clone(reset)
	more[register(66)] = 128
	after := []Survey{survey("reset.toml", 100, more)}
	was := did("reset.journal", "reset", 10, bought, reset, "reset")
	changes := Journal{File: "later", Record: did("later", "apply", 5, reset, values(3, 9), "proven").Record}
	resumed := changes
	resumed.Resumed = instant.Add(50 * time.Second)
	withSheet := of(after, was)
	text := "[decoder]\nmaker = 13\n[registers.3]\nname = \"acceleration\"\ndefault = 24\n"
	withSheet.Sheets = read(t, folderOf(t, map[string]string{"sheet.toml": text})).Sheets
	for name, c := range map[string]struct {
		f    Folder
		want cv.Values
		from string
	}{
		"the sheet":                        {withSheet, values(3, 24), "the sheet sheet.toml"},
		"a survey after a reset":           {of(after, was), more, "the survey reset.toml, taken straight after the reset of 2026-11-25 08:00 UTC"},
		"not with a batch between":         {of(after, was, did("b", "apply", 50, reset, values(3, 9), "proven")), reset, "what was read straight after the reset"},
		"nor one that was resumed between": {of(after, was, resumed), reset, "what was read straight after the reset"},
		"but with one before":              {of(after, changes, was), more, "the survey reset.toml"},
		"not a survey before it":           {of([]Survey{survey("reset.toml", 5, more)}, was), reset, "what was read straight after the reset"},
		"in one second, but no other batch": {of([]Survey{survey("reset.toml", 10, more)}, was, did("b", "apply", 10, reset, values(3, 9), "proven")), more,
			"the survey reset.toml"},
		"not in one second, where it may have been before": {of([]Survey{survey("reset.toml", 10, more)}, did("a", "apply", 10, reset, bought, "proven"), was), reset,
			"what was read straight after the reset"},
		"not of a reset that changed nothing": {of(after, did("r", "reset", 10, reset, reset, "reset")), nil, ""},
		"nor of one that was cut off":         {of(after, did("r", "reset", 10, bought, nil, "")), nil, ""},
		"nothing":                             {of(after), nil, ""},
	} {
		got, from := c.f.Defaults()
		if diff := cmp.Diff(c.want, got); diff != "" || !strings.HasPrefix(from, c.from) || (from == "") != (c.from == "") {
			t.Errorf("%s: from %q, want %q (-want +got)\n%s", name, from, c.from, diff)
		}
	}
}

func TestWhatItHoldsNowIsOfTheLastSurveyAndOfTheBatchesAfterIt(t *testing.T) {
	surveyed := []Survey{survey("s", 100, values(3, 30, 4, 22, 5, 7))}
	known := func(j ...Journal) string {
		var b strings.Builder
		for _, h := range (Folder{Surveys: surveyed, Journals: j}).Now() {
			b.WriteString(h.Register.String() + "=" + string(rune('0'+h.Value/10)) + string(rune('0'+h.Value%10)) + " " + h.File)
			if h.Doubt != "" {
				b.WriteString("?")
			}
			b.WriteString(", ")
		}
		return b.String()
	}
	stopped := did("cut", "apply", 200, values(3, 30), values(3, 9), "")
	stopped.Found = nil
	kept := did("kept", "apply", 200, values(3, 30), values(3, 9), "proven")
	kept.Found = nil
	partly := did("partly", "apply", 200, values(3, 30, 4, 22), values(3, 9, 4, 8), "not proven")
	partly.Found = values(3, 9)
	cutReset := did("reset", "reset", 200, values(3, 30), values(3, 9), "")
	cutReset.Found = nil
	other := did("other", "apply", 200, values(3, 30), values(3, 9), "proven")
	other.Decoder.Maker = 99
	undone := stopped
	undone.Ended = "undone"
	for name, c := range map[string]struct {
		journals []Journal
		want     string
	}{
		"the survey alone":         {nil, "3=30 s, 4=22 s, 5=07 s, "},
		"a batch before it":        {[]Journal{did("a", "apply", 10, values(3, 1), values(3, 2), "proven")}, "3=30 s, 4=22 s, 5=07 s, "},
		"a batch after it":         {[]Journal{did("a", "apply", 200, values(3, 30), values(3, 9), "proven")}, "3=09 a, 4=22 s, 5=07 s, "},
		"in its second, after it":  {[]Journal{did("a", "apply", 100, values(3, 30), values(3, 9), "proven")}, "3=09 a, 4=22 s, 5=07 s, "},
		"in its second, before it": {[]Journal{did("a", "apply", 100, values(3, 9), values(3, 30), "proven")}, "3=30 s, 4=22 s, 5=07 s, "},
		"one that was stopped":     {[]Journal{stopped}, "3=30 s?, 4=22 s, 5=07 s, "},
		"and then undone":          {[]Journal{did("undo", "undo", 300, values(3, 9), values(3, 30), "proven"), undone}, "3=30 undo, 4=22 s, 5=07 s, "},
		"proven, in an old file":   {[]Journal{kept}, "3=09 kept, 4=22 s, 5=07 s, "},
		"proven in part":           {[]Journal{partly}, "3=09 partly, 4=22 s?, 5=07 s, "},
		"a reset that was stopped": {[]Journal{cutReset}, "3=30 s?, 4=22 s?, 5=07 s?, "},
		"that of another decoder":  {[]Journal{other}, "3=30 s, 4=22 s, 5=07 s, "},
		"two, one after the other": {[]Journal{stopped, did("z", "apply", 300, values(3, 9), values(3, 9), "proven")}, "3=09 z, 4=22 s, 5=07 s, "},
	} {
		if got := known(c.journals...); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	surveyed = nil
	if got := known(did("a", "apply", 10, values(3, 1), values(3, 2), "proven")); got != "3=02 a, " {
		t.Errorf("without a survey: %s", got)
	}
}

func TestChangesAreAgainstTheSurveyBeforeOfTheSameTypeOfDecoder(t *testing.T) {
	other := survey("other", 2, values(3, 99))
	other.Decoder = guard(99, 1)
	stopped := survey("stopped", 4, values(3, 30))
	stopped.Left = []cv.Register{register(4)}
	f := Folder{Surveys: []Survey{survey("a", 1, values(3, 30, 4, 22, 892, 1)), other, survey("b", 3, values(3, 24, 4, 22, 892, 5)), stopped}}
	var got []string
	for _, c := range f.Changes() {
		text := c.Before.File + " " + c.After.File
		for _, row := range c.Differences {
			text += " " + row.Register.String() + ":" + row.A.String() + "-" + row.B.String()
		}
		got = append(got, text)
	}
	// NMRA S-9.2.2 (July 2012): CVs 880 to 895 change as the decoder works; what they hold is no change.
	if diff := cmp.Diff([]string{"a b 3:30-24", "b stopped 3:24-30"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestABatchThatWasTakenUpAgainIsReadAsItEndedThen(t *testing.T) {
	path := t.TempDir()
	name := batch(t, path, "apply", instant, func(j *journal.Journal) error {
		return errors.Join(j.Held(values(3, 1)), j.Wanted(values(3, 2)), j.Close())
	})
	j, _, err := journal.Reopen(path+"/"+name, instant.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(j.Writing(register(3), 2), j.Found(values(3, 2)), j.End("proven")); err != nil {
		t.Fatal(err)
	}
	f := read(t, path)
	if len(f.Journals) != 1 || !f.Journals[0].Proven() || !f.Journals[0].last().Equal(instant.Add(time.Hour)) {
		t.Errorf("got %+v, unread %v", f.Journals, f.Unread)
	}
}
