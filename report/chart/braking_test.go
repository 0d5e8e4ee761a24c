package chart

import (
	"bytes"
	"errors"
	"image/png"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"gonum.org/v1/plot/vg"

	"fettle/station"
	"fettle/trial"
)

// wants fails where the picture does not say one of these, each of them a whole text in it.
func (p picture) wants(t *testing.T, texts ...string) {
	t.Helper()
	for _, want := range texts {
		if !p.has(want) {
			t.Errorf("the picture says %q, want %q among it", p.texts, want)
		}
	}
}

func TestStopsAreShownAgainstTheTargetTheRoomAndTheBound(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6, 300, 900))
	p := drawn(t, b)
	p.wants(t, "Night-mail engine 30, quay section 2", "room: 1800 mm", "wanted: 1400 ± 40 mm", "99 in 100 end", "before "+b.Verdict.Bound.At.String(),
		"mean and its 95 % interval", "front leading", "rear leading", "mm/s", "km/h at 1:87.1")
	if !strings.Contains(p.desc, "Stopped: 24 runs. Overran: 0 runs.") {
		t.Errorf("who can't see the picture is told %q", p.desc)
	}
}

func TestAScaleSpeedStandsBelowEachEntrySpeed(t *testing.T) {
	p := drawn(t, judged(quay(), braked(quay(), constant, 6)))
	// 100 mm/s at 1:87.1 are 8.71 m/s: 31.356 km/h
	p.wants(t, "100", "31", "200", "63")
	b := quay()
	b.Vehicle.Scale = 0
	for _, text := range drawn(t, judged(b, braked(b, constant, 6))).texts {
		if strings.Contains(text, "km/h") {
			t.Errorf("without a scale the picture says %q", text)
		}
	}
}

func TestAnOverrunIsAnArrowAtTheRoomAndOthersHaveStripsOfTheirOwn(t *testing.T) {
	runs := braked(quay(), func(v float64) float64 { return v * v / 28 }, 5)
	overran := 0
	for _, r := range runs {
		if r.Way == station.With && r.Outcome == trial.Overran {
			overran++
		}
	}
	if overran != 8 {
		t.Fatalf("%d runs overran, want the 8 at 240 mm/s", overran)
	}
	runs[0].Outcome, runs[1].Outcome, runs[5].Outcome = trial.Slowed, trial.Ignored, trial.Ignored
	p := drawn(t, judged(quay(), runs))
	p.wants(t, "farther than 1800 mm:", "8 runs", "slowed: 1 run", "ignored: 2 runs")
	if whole := drawn(t, judged(quay(), braked(quay(), constant, 5))); whole.has("slowed: 0 runs") || whole.has("8 runs") {
		t.Errorf("without such runs the picture says %q", whole.texts)
	}
}

func TestABoundBeyondTheRoomIsSaid(t *testing.T) {
	q := quay()
	within := judged(q, braked(q, constant, 6)).stopsPanel(wide).notes
	q.Section.Room = 1410
	b := judged(q, braked(q, func(float64) float64 { return 1380 }, 9))
	if b.Verdict.Bound.At <= 1410 {
		t.Fatalf("bound %v, want one beyond the room", b.Verdict.Bound.At)
	}
	const want = " put the mark no nearer. That is beyond the room."
	if beyond := b.stopsPanel(wide).notes; !strings.HasSuffix(beyond[len(beyond)-1], want) || strings.HasSuffix(within[len(within)-1], want) {
		t.Errorf("notes %q, and within the room %q", beyond, within)
	}
}

func TestARunThatHasNoPlaceIsNotDrawnAndCounted(t *testing.T) {
	runs := braked(quay(), constant, 6)
	runs[0].Speed, runs[1].Speed, runs[2].Stop = 0, station.MillimetresPerSecond(math.Inf(1)), 1e300
	runs[3].Stop, runs[5].Speed = station.Millimetres(math.NaN()), station.MillimetresPerSecond(math.NaN())
	p := drawn(t, Braking{Trial: quay(), Runs: runs})
	p.wants(t, "2 runs without an entry speed: not drawn.", "3 runs faster than 10000 mm/s, or farther than 100000 mm: not drawn.")
	if !strings.Contains(p.desc, "Stopped: 19 runs.") {
		t.Errorf("who can't see the picture is told %q", p.desc)
	}
}

func TestEachPatternIsNamedWithWhatItLeavesAndTheBestIsSaid(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6, 300, 900))
	if b.Verdict.Pattern != trial.PatternEven {
		t.Fatalf("pattern %v, want even: the runs brake so", b.Verdict.Pattern)
	}
	p := drawn(t, b)
	best, named := 0, 0
	for _, text := range p.texts {
		for _, pattern := range []string{"even: times off by ", "late: times off by ", "creep: times off by "} {
			if strings.HasPrefix(text, pattern) {
				named++
				if strings.HasSuffix(text, "fits best") {
					best++
					if pattern[:4] != "even" {
						t.Errorf("the best is %q, want even", text)
					}
				}
			}
		}
	}
	if named != 3 || best != 1 {
		t.Errorf("%d patterns are named, %d as the best, want 3 and 1: %q", named, best, p.texts)
	}
	// 8 runs at 160 mm/s, each past two gates and to its standstill
	if !strings.Contains(p.desc, "24 stretches between gates.") {
		t.Errorf("who can't see the picture is told %q", p.desc)
	}
}

func TestConstantDecelerationIsDrawnWhereTheDistanceIsNot(t *testing.T) {
	b := judged(quay(), braked(quay(), func(v float64) float64 { return v * v / (2 * 20) }, 3))
	drawn(t, b).wants(t, "constant deceleration", "fitted to the stops at all speeds", "Its distance is not constant: at another speed it stops elsewhere.")
	falls := b.falls(160, 640)
	if len(falls) != 1 {
		t.Fatalf("%d curves, want one", len(falls))
	}
	for _, f := range falls {
		// v²/(2a): from 160 mm/s at 20 mm/s² it stops after 640 mm, and after 480 of them it has half the speed
		if got := f.speed(480); math.Abs(float64(got)-80) > 3 {
			t.Errorf("speed %v after 480 mm, want 80 mm/s", got)
		}
		if f.speed(0) != 160 {
			t.Errorf("speed %v at the trigger, want 160 mm/s", f.speed(0))
		}
	}
}

func TestAStretchBetweenGatesHasItsMeanSpeed(t *testing.T) {
	b := Braking{Runs: []trial.Run{
		{Number: 3, Made: true, Speed: 100, Stop: 500, Time: 10 * time.Second,
			Gates: []trial.Passing{{At: -100, Time: -time.Second}, {At: 200, Time: 2 * time.Second}, {At: 400, Time: 6 * time.Second}}},
		{Made: true, Speed: 200, Stop: 500, Time: 10 * time.Second, Gates: []trial.Passing{{At: 200, Time: 2 * time.Second}}}, // another speed
		{Made: true, Speed: 100, Outcome: trial.Ignored, Gates: []trial.Passing{{At: 200, Time: 2 * time.Second}}},
	}}
	want := []passed{{lead: station.Front, to: 200, speed: 100, run: 3}, {lead: station.Front, from: 200, to: 400, speed: 50, run: 3}, {lead: station.Front, from: 400, to: 500, speed: 25, run: 3}}
	got := b.passed(100, 500)
	for i := range got {
		if got[i].words != "run 3: front leading, 100 mm/s, stopped after 500 mm" {
			t.Errorf("the run is told as %q", got[i].words)
		}
		got[i].words = ""
	}
	if !slices.Equal(got, want) {
		t.Errorf("stretches %v, want %v", got, want)
	}
}

func TestEachCaseSaysWhatIsWantedAndWhatWasSeen(t *testing.T) {
	runs := braked(quay(), constant, 6)
	p := drawn(t, judged(quay(), runs))
	p.wants(t, "The decoder senses the rail on one side of its travel.", "front leading, with the section", "rear leading, with the section",
		"front leading, against the section", "rear leading, against the section", "wanted: to stop; seen: stopped 12 of 12", "wanted: to run on; seen: ignored 3 of 3")
	if p.has("not as wanted") || p.has("not tried") {
		t.Errorf("all is as wanted, and the picture says %q", p.texts)
	}

	for i, r := range runs { // a decoder that senses the side of the vehicle
		if r.Lead == station.Rear {
			runs[i].Outcome = trial.Ignored
			if r.Way == station.Against {
				runs[i].Outcome, runs[i].Stop = trial.Stopped, 1400
			}
		}
	}
	p = drawn(t, judged(quay(), runs))
	p.wants(t, "The decoder senses the rail on one side of the vehicle.", "wanted: to stop; seen: ignored 12 of 12", "wanted: to run on; seen: stopped 3 of 3")
	not := 0
	for _, text := range p.texts {
		if text == "not as wanted" {
			not++
		}
	}
	if not != 2 {
		t.Errorf("%d cases are not as wanted, want both with the rear leading: %q", not, p.texts)
	}
}

func TestATrialWithoutRunsSaysSo(t *testing.T) {
	for name, b := range map[string]Braking{"zero": {}, "planned": {Trial: quay(), Runs: []trial.Run{{Number: 1, Speed: 80}}}, "judged": judged(quay(), nil)} {
		p := drawn(t, b)
		p.wants(t, "No run with the section was made.", "not tried")
		if p.has("as wanted") || b.Text() != "" {
			t.Errorf("%s: the picture says %q, the chart %q", name, p.texts, b.Text())
		}
	}
}

func TestNamesOfATrialDoNothingToThePicture(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6))
	for _, name := range []string{`</title></svg><script>alert(1)</script>`, "null \x00, escape \x1b[31m, line\nline", "half a rune \xc3, turned \u202e", strings.Repeat("long ", 20000)} {
		b.Trial.Title, b.Verdict.Sentence = name, name
		p := drawn(t, b)
		if strings.ContainsAny(p.title+p.desc, "\x00\x1b\u202e\ufffd") {
			t.Errorf("name %.40q: title %.60q", name, p.title)
		}
		for _, text := range p.texts {
			if width := words(wide.normal, ink).Width(text); width > wide.width && text != p.texts[0] {
				t.Errorf("name %.40q: a text is %v wide", name, width)
			}
		}
	}
}

func TestAVerdictIsSaidInFullOverSeveralLines(t *testing.T) {
	b := judged(quay(), nil)
	b.Verdict.Sentence = strings.TrimSpace(strings.Repeat("not enough runs yet and many more words than a line has room for, ", 4)) + " the end."
	if got := strings.Join(wide.wrapped(words(wide.normal, ink), b.Verdict.Sentence), " "); got != b.Verdict.Sentence {
		t.Errorf("lines %q, want %q", got, b.Verdict.Sentence)
	}
}

func TestTenThousandRunsMakeASmallPicture(t *testing.T) {
	q := quay()
	q.Runs.Repeats = 1700
	var svg bytes.Buffer
	b := judged(q, braked(q, constant, 30, 300, 900))
	if err := b.WriteSVG(&svg); err != nil {
		t.Fatal(err)
	}
	if len(b.Runs) < 10_000 || svg.Len() > 1<<20 {
		t.Errorf("%d runs make %d bytes, want a megabyte at the most", len(b.Runs), svg.Len())
	}
	for _, lead := range q.Runs.Leads {
		all := spotsOf(b.Runs).by[trial.Stopped]
		points := thinned(all, lead, func(s spot) vg.Point { return vg.Point{X: vg.Length(s.speed), Y: vg.Length(s.stop)} })
		if len(points) > mostMarkers || len(points) < mostMarkers/8 {
			t.Errorf("%s: %d markers of %d runs", lead, len(points), len(all))
		}
	}
}

func TestTheSameTrialGivesTheSamePicture(t *testing.T) {
	var first, firstPNG []byte
	for i := range 3 {
		b := judged(quay(), braked(quay(), constant, 6, 300, 900))
		var svg, raster bytes.Buffer
		if err := errors.Join(b.WriteSVG(&svg), b.WritePNG(&raster)); err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first, firstPNG = svg.Bytes(), raster.Bytes()
		} else if !bytes.Equal(first, svg.Bytes()) || !bytes.Equal(firstPNG, raster.Bytes()) {
			t.Fatal("the picture is another one each time")
		}
	}
}

func TestAPNGHasTwoDotsAPointAndIsNotBlank(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6))
	var raster bytes.Buffer
	if err := b.WritePNG(&raster); err != nil {
		t.Fatal(err)
	}
	picture, err := png.Decode(&raster)
	if err != nil {
		t.Fatal(err)
	}
	size := picture.Bounds().Size()
	if want := int(2 * wide.width); size.X != want || size.Y != int(2*b.page(wide).height()) {
		t.Errorf("%v dots, want %d wide and %v high", size, want, 2*b.page(wide).height())
	}
	dark := 0
	for y := range size.Y {
		for x := range size.X {
			if r, _, _, _ := picture.At(x, y).RGBA(); r < 0x8000 {
				dark++
			}
		}
	}
	if share := float64(dark) / float64(size.X*size.Y); share < 0.005 || share > 0.2 {
		t.Errorf("%.2f %% of the picture is dark", 100*share)
	}
	if err := b.WritePNG(&full{room: 10}); !errors.Is(err, errFull) {
		t.Errorf("error %v, want %v", err, errFull)
	}
}

func TestTheChartForATerminalHasItsSizeAndItsLetters(t *testing.T) {
	runs := braked(quay(), constant, 6)
	text := judged(quay(), runs).Text()
	for _, want := range []string{"stop, mm past trigger\n", "  1800│──", " room\n", "  1400│", " wanted ±40\n", "└", " mm/s\n", "f front leading, r rear leading, * both\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("the chart lacks %q:\n%s", want, text)
		}
	}
	letters := func(runs []trial.Run) (n int) {
		plot := strings.Split(judged(quay(), runs).Text(), "\n")[1 : textRows+1]
		for _, row := range plot {
			cells := []rune(row)[textLabels+1:]
			for _, r := range cells[:min(textPlot, len(cells))] {
				if strings.ContainsRune("fr*", r) {
					n++
				}
			}
		}
		return n
	}
	if n := letters(runs); n < 3 || n > 24 {
		t.Errorf("%d letters for 24 stops at three speeds:\n%s", n, text)
	}
	one := []trial.Run{{Made: true, Speed: 160, Stop: 1395}}
	if n := letters(one); n != 1 {
		t.Errorf("%d letters for one stop:\n%s", n, judged(quay(), one).Text())
	}
}

func TestTheChartForATerminalShowsEveryOutcome(t *testing.T) {
	runs := []trial.Run{{Made: true, Speed: 80, Stop: 500}, {Made: true, Speed: 160, Lead: station.Rear, Stop: 1500},
		{Made: true, Speed: 240, Outcome: trial.Overran}, {Made: true, Speed: 80, Outcome: trial.Slowed}, {Made: true, Speed: 80, Outcome: trial.Ignored}}
	lines := strings.Split(judged(quay(), runs).Text(), "\n")
	if want := "stop, mm past trigger; ^ overran 1; slowed 1; ignored 1"; lines[0] != want {
		t.Errorf("heading %q, want %q", lines[0], want)
	}
	row := func(mark string) int {
		return slices.IndexFunc(lines[1:], func(line string) bool { return strings.Contains(strings.TrimSuffix(line, "room"), mark) })
	}
	// far ones stand higher
	if overran, room, rear, front := row("^"), row("───"), row("r"), row("f"); !(0 <= overran && overran < room && room < rear && rear < front) {
		t.Errorf("rows %d, %d, %d, %d:\n%s", overran, room, rear, front, strings.Join(lines, "\n"))
	}
}

func FuzzAnyTrialIsDrawn(f *testing.F) {
	f.Add("quay", 1400.0, 40.0, 1800.0, 87.1, 160.0, 1390.0, uint8(0), int64(17))
	f.Add("<&>", math.NaN(), math.Inf(1), -1.0, 1e300, 1e-300, 1e300, uint8(255), int64(-5))
	f.Add("", 1e5, 1e5, 1e5, 1.0, 1e4, 0.0, uint8(7), int64(math.MaxInt64))
	f.Fuzz(func(t *testing.T, title string, stop, within, room, scale, speed, at float64, bits uint8, seconds int64) {
		q := quay()
		q.Title, q.Vehicle.Scale = title, scale
		q.Wanted.Stop, q.Wanted.Within, q.Section.Room = station.Millimetres(stop), station.Millimetres(within), station.Millimetres(room)
		runs := braked(quay(), constant, 6, 300)
		for i := range runs {
			if i%3 == int(bits%4) {
				runs[i].Speed, runs[i].Stop = station.MillimetresPerSecond(speed), station.Millimetres(at)
				runs[i].Outcome, runs[i].Time = trial.Outcome(bits>>2%4), time.Duration(seconds)
				runs[i].Gates = []trial.Passing{{At: station.Millimetres(room), Time: time.Duration(seconds / 2)}, {At: station.Millimetres(at), Time: time.Duration(seconds)}}
			}
		}
		b := judged(q, runs)
		drawn(t, b)
		text := b.Text()
		if lines := strings.Split(text, "\n"); text != "" && len(lines) != textRows+5 {
			t.Fatalf("%d lines:\n%s", len(lines), text)
		}
		for line := range strings.Lines(text) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > textWidth {
				t.Fatalf("a line of %d characters: %q", n, line)
			}
		}
		inlined(t, b, Inline{Narrow: bits%2 == 0, Link: func(int) string { return title }})
		inlined(t, Beside{Of: []Braking{b, judged(quay(), braked(quay(), constant, 6)), b}, Names: []string{title}}, Inline{Narrow: bits%2 == 1})
		drawn(t, Speeds{Title: title, Scale: scale, Before: runs, Wanted: []StepSpeed{{bits, station.MillimetresPerSecond(speed)}}})
	})
}
