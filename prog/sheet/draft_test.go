package sheet

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
)

func surveyed(t testing.TB, name, text string) Evidence {
	t.Helper()
	s, err := regset.ParseSurvey(name, []byte("when = 2026-11-25T07:41:03Z\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	return Evidence{Name: name, Survey: s}
}

func probed(t testing.TB, text string) Probe {
	t.Helper()
	f, err := ParseFindings("probe", []byte("when = 2026-11-25T08:31:05Z\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	return Probe{"probe", f}
}

const of34 = "[decoder]\nmaker = 13\nversion = 34\n"

func drafted(t testing.TB, surveys []Evidence, probe Probe) Sheet {
	t.Helper()
	s, err := Draft(surveys, probe)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestADraftHasTheStandardsNamesAndWhatTheSurveysAndTheProbeFound(t *testing.T) {
	reset := surveyed(t, "new", "absent = [\"20\"]\nchanging = [\"892\"]\npages = [\"16.0\", \"16.1\"]\n"+of34+
		"[registers]\n\"1-5\" = [3, 2, 6, 4, 1]\n29 = 70\n\"33-34\" = [1, 2]\n112 = 5\n\"257@16.0\" = 9\n892 = 1\n")
	reset.Reset = true
	one := surveyed(t, "one", "absent = [\"20\"]\n"+of34+"[registers]\n\"1-5\" = [9, 2, 12, 4, 1]\n29 = 66\n112 = 5\n\"257@16.0\" = 8\n")
	two := surveyed(t, "two", "absent = [\"2\", \"20\"]\nunsure = [\"4\"]\n"+of34+"[registers]\n1 = 7\n3 = 14\n29 = 64\n112 = 5\n\"257@16.0\" = 8\n")
	got := drafted(t, []Evidence{reset, one, two}, probed(t, of34+`
[found."2-4"]
writable = true
mask = 0b1111_1111
values = ["0-180"]
[found.5]
writable = false
[found.29]
writable = true
mask = 0b0000_0011
left_alone = 0b0000_0100
`))
	paged := cv.Register{CV: 257, Page: cv.Page{High: 16}}
	full := []cv.ByteRange{{Low: 0, High: 180}}
	want := Sheet{
		Title:   "Decoder of maker 13, version 34",
		Decoder: reset.Survey.Decoder,
		From: []string{
			"new: survey of 2026-11-25 07:41 UTC, after a reset", "one: survey of 2026-11-25 07:41 UTC", "two: survey of 2026-11-25 07:41 UTC",
			"probe: probe of 2026-11-25 08:31 UTC",
		},
		Groups:   []string{"address", "basics", "motion", "functions", "readings", "maker's own"},
		Absent:   []cv.Register{reg(20)},
		Changing: []cv.Register{reg(892)},
		Pages:    []cv.Page{{High: 16}}, // nothing was found on 16.1
		Entries: []Entry{
			// NMRA S-9.2.2 (July 2012): names, CV 1 from 1 to 127
			{Registers: []cv.Register{reg(1)}, Name: "primary address", Group: "address", Values: []cv.ByteRange{{Low: 1, High: 127}},
				Default: []uint8{3}, Held: []uint8{9}, Note: "9 in one, 7 in two"},
			{Registers: []cv.Register{reg(2)}, Name: "start voltage", Group: "motion", Values: full, Default: []uint8{2}, Note: "absent in two"},
			{Registers: []cv.Register{reg(3)}, Name: "acceleration", Group: "motion", Values: full, Default: []uint8{6}, Held: []uint8{12},
				Note: "12 in one, 14 in two"},
			{Registers: []cv.Register{reg(4)}, Name: "deceleration", Group: "motion", Values: full, Default: []uint8{4}, Note: "not proven in two"},
			{Registers: []cv.Register{reg(5)}, Name: "high voltage", Group: "motion", ReadOnly: true, Default: []uint8{1}},
			{Registers: []cv.Register{reg(29)}, Name: "configuration", Group: "basics", Mask: 0b0000_0111, Fixed: 0b0100_0000,
				Default: []uint8{70}, Held: []uint8{66}, Note: "66 in one, 64 in two",
				Bits: map[uint8]string{0: "direction", 1: "speed steps", 2: "other power"}},
			// a part of 33 to 46, which the standard tells of together
			{Registers: []cv.Register{reg(33)}, Name: "output mapping 1", Group: "functions", Default: []uint8{1}},
			{Registers: []cv.Register{reg(34)}, Name: "output mapping 2", Group: "functions", Default: []uint8{2}},
			{Registers: []cv.Register{reg(112)}, Group: "maker's own", Default: []uint8{5}},
			{Registers: []cv.Register{reg(892)}, Name: "load", Group: "readings"},
			{Registers: []cv.Register{paged}, Group: "maker's own", Default: []uint8{9}, Held: []uint8{8}},
		},
	}
	if d := cmp.Diff(want, got, sameContent); d != "" {
		t.Error(d)
	}
}

func TestAWholeRangeOfTheStandardIsToldOfTogether(t *testing.T) {
	one := surveyed(t, "one", of34+"[registers]\n\"33-46\" = [1,2,3,4,5,6,7,8,9,10,11,12,13,14]\n")
	two := surveyed(t, "two", of34+"[registers]\n\"33-46\" = [1,2,0,0,5,6,7,0,9,10,11,12,13,14]\n")
	s := drafted(t, []Evidence{one, two}, Probe{})
	if len(s.Entries) != 1 || s.Entries[0].Name != "output mapping" || s.Entries[0].Note != "35-36, 40: the surveys differ" || len(s.Entries[0].Held) != 14 {
		t.Errorf("%+v", s.Entries)
	}
}

func TestRegistersWithoutANameStandAloneUnlessNothingTellsThemApart(t *testing.T) {
	s := drafted(t, []Evidence{surveyed(t, "one", of34+"[registers]\n\"112-121\" = [7, 7, 7, 1, 0, 0, 0, 0, 0, 2]\n")}, Probe{})
	var got []string
	for _, e := range s.Entries {
		got = append(got, cv.Ranges(e.Registers)...)
	}
	if d := cmp.Diff([]string{"112", "113", "114", "115", "116-120", "121"}, got); d != "" {
		t.Error(d)
	}
}

func TestWithoutAProbeTheStandardSaysWhatIsReadOnly(t *testing.T) {
	s := drafted(t, []Evidence{surveyed(t, "one", of34+"[registers]\n\"6-9\" = [1, 34, 13, 2]\n")}, Probe{})
	for i, e := range s.Entries {
		// NMRA S-9.2.2 (July 2012): CV 7 and 8 are read only
		if want := i == 1 || i == 2; e.ReadOnly != want {
			t.Errorf("register %v: read only %v, want %v", e.Registers[0], e.ReadOnly, want)
		}
	}
}

func TestWhatAResetLeavesAndNoWriteDoesIsSaid(t *testing.T) {
	reset := surveyed(t, "new", of34+"[registers]\n5 = 200\n29 = 6\n")
	reset.Reset = true
	probe := probed(t, of34+"[found.5]\nwritable = true\nmask = 255\nvalues = [\"0-180\"]\n[found.29]\nwritable = true\nmask = 7\n")
	s := drafted(t, []Evidence{reset, surveyed(t, "one", of34+"[registers]\n29 = 38\n")}, probe)
	if e := s.Entries[0]; e.Default != nil || !slices.Equal(e.Held, []uint8{200}) || e.Note != "a reset leaves 200, which no write does" {
		t.Errorf("%+v", e)
	}
	if e := s.Entries[1]; e.Mask != 0b0010_0111 || e.Fixed != 0 || e.Note != "the probe could not change bit 5, though the surveys differ there" {
		t.Errorf("%+v", e)
	}
}

func TestBitsThatAProbeLeftAloneCountAsBitsThatCanBeChanged(t *testing.T) {
	one := []Evidence{surveyed(t, "one", of34+"[registers]\n29 = 38\n")}
	for writing, want := range map[string]uint8{
		"writable = true\nmask = 0b0000_0111\nleft_alone = 0b1010_0000": 0b1010_0111,
		"writable = false\nleft_alone = 0b1010_0000":                    0b1010_0000,
	} {
		s := drafted(t, one, probed(t, of34+"[found.29]\n"+writing+"\n"))
		if e := s.Entries[0]; e.ReadOnly || e.Mask != want || e.Fixed != 38&^want {
			t.Errorf("%s\n%+v", writing, e)
		}
	}
}

func TestADraftIsOfOneTypeOfDecoderAndOfSurveysThatAreWhole(t *testing.T) {
	one := surveyed(t, "one", of34+"[registers]\n3 = 1\n")
	other := surveyed(t, "other", "[decoder]\nmaker = 13\nversion = 21\n[registers]\n3 = 1\n")
	nobody := surveyed(t, "nobody", "[registers]\n3 = 1\n")
	half := surveyed(t, "half", "of = [\"3-4\"]\nleft = [\"4\"]\n"+of34+"[registers]\n3 = 1\n")
	for want, draft := range map[string]func() (Sheet, error){
		"found no survey": func() (Sheet, error) { return Draft(nil, Probe{}) },
		"other: found maker 13, version 21, want maker 13, version 34, as in one": func() (Sheet, error) {
			return Draft([]Evidence{one, other}, Probe{})
		},
		"nobody: found any decoder, want the maker and the version": func() (Sheet, error) {
			return Draft([]Evidence{nobody}, Probe{})
		},
		"half: found a survey that was stopped, want one that was finished": func() (Sheet, error) {
			return Draft([]Evidence{one, half}, Probe{})
		},
		"probe: found any decoder, want maker 13, version 34": func() (Sheet, error) {
			return Draft([]Evidence{one}, probed(t, "[found.3]\nwritable = false\n"))
		},
	} {
		if s, err := draft(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, %v, want %s", s, err, want)
		}
	}
}

func TestADraftOfAnythingHasNoMistakesAndLeavesNoRegisterOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var surveys []Evidence
		maker, version := uint8(13), uint8(34)
		decoder := regset.Guard{Maker: &maker, Version: &version}
		for i := range rapid.IntRange(1, 3).Draw(t, "surveys") {
			s := regset.Survey{Decoder: decoder, When: time.Unix(int64(i), 0), Registers: cv.Values{}}
			for _, r := range anyRegisters(t) {
				switch rapid.IntRange(0, 8).Draw(t, "state") {
				case 0:
					s.Absent = append(s.Absent, r)
				case 1:
					s.Unsure = append(s.Unsure, r)
				case 2:
					s.Changing = append(s.Changing, r)
				default:
					s.Registers[r] = rapid.SampledFrom([]uint8{0, 0, 0, 3, 200}).Draw(t, "value")
				}
			}
			surveys = append(surveys, Evidence{Name: string(rune('a' + i)), Survey: s, Reset: rapid.Bool().Draw(t, "reset")})
		}
		probe := Probe{Name: "probe", Findings: Findings{Decoder: decoder}}
		for _, r := range anyRegisters(t) {
			f := Finding{Register: r, Writable: rapid.Bool().Draw(t, "writable")}
			if f.Writable {
				f.Mask = rapid.SampledFrom([]uint8{255, 255, 3, 0b0100_0000}).Draw(t, "mask")
				f.LeftAlone = rapid.SampledFrom([]uint8{0, 0, 128}).Draw(t, "left alone") &^ f.Mask
				f.Values = rapid.SampledFrom([][]cv.ByteRange{nil, {{Low: 0, High: 255}}, {{Low: 0, High: 180}}}).Draw(t, "values")
			}
			probe.Found = append(probe.Found, f)
		}
		s, err := Draft(surveys, probe)
		if err != nil {
			t.Fatal(err)
		}
		text := s.Append(nil)
		again, err := Parse("draft", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(s, again, sameContent); d != "" {
			t.Fatal(d)
		}
		for _, e := range surveys {
			for _, r := range slices.Concat(slices.Collect(maps.Keys(e.Survey.Registers)), e.Survey.Unsure, e.Survey.Changing) {
				if _, _, told := s.Entry(r); !told || s.lacks(r) != "" {
					t.Fatalf("register %v is in %s, not in the sheet", r, e.Name)
				}
			}
			for _, r := range e.Survey.Absent {
				if _, _, told := s.Entry(r); !told && s.lacks(r) == "" && (r.Page == cv.Page{}) {
					t.Fatalf("register %v is absent in %s, and the sheet does not say so", r, e.Name)
				}
			}
		}
	})
}

func anyRegisters(t *rapid.T) (rs []cv.Register) {
	for n := nmra.CV(1); n < 1000; n += nmra.CV(rapid.SampledFrom([]int{1, 1, 1, 1, 1, 30, 200}).Draw(t, "step")) {
		r := reg(n)
		if r.Indexed() {
			r.Page = cv.Page{High: 16, Low: rapid.Uint8Max(1).Draw(t, "page")}
		}
		rs = append(rs, r)
	}
	return rs
}

func TestTheShippedSheetHasAllThatItsSurveysHave(t *testing.T) {
	s, err := Read("../../testdata/sheets/engine-30.toml")
	if err != nil {
		t.Fatal(err)
	}
	survey, err := regset.ReadSurvey("../../testdata/surveys/engine-30-reset.toml")
	if err != nil {
		t.Fatal(err)
	}
	for r, v := range survey.Registers {
		if values, absent := s.Hint(r); absent || !r.Volatile() && values[0] != v {
			t.Errorf("register %v: the sheet hints %v, a reset left %d", r, values, v)
		}
	}
	if _, err := ReadFindings("../../testdata/sheets/engine-30-probe.toml"); err != nil {
		t.Error(err)
	}
}
