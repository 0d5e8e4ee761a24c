package chart

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/plot/vg"

	"fettle/nmra/wave"
	"fettle/station"
	"fettle/trial"
)

// inliner is a picture that can be a part of a page.
type inliner interface {
	WriteInline(io.Writer, Inline) error
}

// inlined draws a picture for a page, and reads it back. It fails where it has anything in it that could do something to the page.
func inlined(t *testing.T, s inliner, o Inline) (picture, string) {
	t.Helper()
	var svg bytes.Buffer
	if err := s.WriteInline(&svg, o); err != nil {
		t.Fatalf("writing the picture: %v", err)
	}
	text := svg.String()
	p := readBack(t, &svg, "svg", "desc", "g", "path", "text", "a", "title", "circle")
	for _, e := range p.drawn {
		if e.get("id") != "" || e.get("class") != "" && e.Name.Local == "path" {
			t.Errorf("the picture has an element %v, which could meet another of the page", e.StartElement)
		}
	}
	return p, text
}

// every is each kind of picture, with something on it.
func every(t *testing.T) map[string]inliner {
	halves := sent(t, 20, wave.Sender{}, wave.Sender{Fault: wave.LongHalf}, wave.Sender{Stretch: 5 * time.Millisecond}, wave.Sender{Fault: wave.WrongCheck})
	runs := braked(quay(), func(v float64) float64 { return v * v / 28 }, 5)
	runs[0].Outcome, runs[1].Outcome, runs[5].Outcome = trial.Slowed, trial.Ignored, trial.Ignored
	good, worse := judged(quay(), braked(quay(), constant, 6, 300, 900)), judged(quay(), runs)
	return map[string]inliner{"good": good, "worse": worse, "none": judged(quay(), nil), "zero": Braking{}, "speeds": tram(), "no speeds": Speeds{},
		"signal": measured("quay line", halves, volts(len(halves), 15, 14)), "no signal": Signal{},
		"beside": Beside{Of: []Braking{good, worse}}, "four": Beside{Of: []Braking{good, worse, good, good}}, "nothing": Beside{}}
}

func TestAPictureInAPageHasNoSizeAndTellsWhatItShows(t *testing.T) {
	for name, s := range every(t) {
		p, text := inlined(t, s, Inline{})
		root, group := p.drawn[0], p.drawn[1]
		if !strings.HasPrefix(text, "<svg ") || root.get("width") != "" || root.get("height") != "" || !strings.HasPrefix(root.get("viewBox"), "0 0 760 ") {
			t.Errorf("%s: the picture begins %.120q", name, text)
		}
		if group.get("role") != "img" || p.desc == "" {
			t.Errorf("%s: role %q, description %q", name, group.get("role"), p.desc)
		}
	}
	p, _ := inlined(t, judged(quay(), nil), Inline{})
	if label := p.drawn[1].get("aria-label"); label != "Night-mail engine 30, quay section 2" || p.has(label) {
		t.Errorf("the picture is called %q, and says %q: want its title as its name, and not drawn", label, p.texts)
	}
}

func TestEveryColourOfAPictureIsOneThatThePageCanSet(t *testing.T) {
	paint := regexp.MustCompile(`(fill|stroke):([^;"]*)`)
	want := regexp.MustCompile(`^(none|var\(--(paper|ink|quiet|faint|pale|blue|rust|band),#[0-9a-f]{6}\))$`)
	for name, s := range every(t) {
		p, _ := inlined(t, s, Inline{})
		n := 0
		for _, e := range p.drawn {
			for _, found := range paint.FindAllStringSubmatch(e.get("style"), -1) {
				n++
				if !want.MatchString(found[2]) {
					t.Fatalf("%s: %s %q", name, found[1], found[2])
				}
			}
		}
		if n == 0 {
			t.Errorf("%s: no colour was found", name)
		}
	}
}

func TestANarrowPictureHasLettersThatCanBeReadAndKeepsWithinItsWidth(t *testing.T) {
	size := regexp.MustCompile(`font-size:([0-9.]+)px`)
	for name, s := range every(t) {
		p, _ := inlined(t, s, Inline{Narrow: true})
		if box := p.drawn[0].get("viewBox"); !strings.HasPrefix(box, "0 0 360 ") {
			t.Errorf("%s: viewBox %q, want one 360 wide", name, box)
		}
		for i, e := range p.drawn {
			turned := i > 0 && strings.HasPrefix(p.drawn[i-1].get("transform"), "rotate")
			if e.Name.Local != "text" {
				continue
			}
			letters, err := strconv.ParseFloat(size.FindStringSubmatch(e.get("style"))[1], 64)
			if err != nil || letters < 9 {
				t.Errorf("%s: %q has letters of %v, want 9 at the least", name, e.text, letters)
			}
			x, err := strconv.ParseFloat(e.get("x"), 64)
			if err != nil {
				t.Fatal(err)
			}
			style := words(vg.Length(letters), ink)
			if strings.Contains(e.get("style"), "weight:bold") {
				style = bold(style)
			}
			if end := x + float64(style.Width(strings.TrimSpace(e.text))); !turned && (x < -1 || end > 361) {
				t.Errorf("%s: %q goes from %.0f to %.0f, want it within 360", name, e.text, x, end)
			}
		}
	}
}

func TestEachPointLeadsToItsRun(t *testing.T) {
	runs := braked(quay(), constant, 6)
	runs[0].Outcome, runs[2].Outcome = trial.Overran, trial.Ignored
	for _, narrow := range []bool{false, true} {
		p, _ := inlined(t, judged(quay(), runs), Inline{Narrow: narrow, Link: func(run int) string { return fmt.Sprintf("#a&%d", run) }})
		led := map[string]string{}
		for i, e := range p.drawn {
			if e.Name.Local != "a" {
				continue
			}
			if e.get("tabindex") != "-1" || !slices.Equal(e.within, []string{"svg", "g", "a"}) {
				t.Errorf("a link is %v, within %v; want it out of the tab order, and out of the drawing", e.Attr, e.within)
			}
			led[e.get("href")] = p.drawn[i+1].text
		}
		with := 0
		for _, r := range runs {
			if r.Way != station.With {
				continue
			}
			with++
			if got, want := led[fmt.Sprintf("#a&%d", r.Number)], told(r); got != want {
				t.Errorf("the point of run %d says %q, want %q", r.Number, got, want)
			}
		}
		if len(led) != with {
			t.Errorf("%d points are links, want those of the %d runs with the section", len(led), with)
		}
	}
	if got, want := told(runs[1]), fmt.Sprintf("run 2: front leading, %s, stopped after %s", runs[1].Speed, runs[1].Stop); got != want {
		t.Errorf("a run is told as %q, want %q", got, want)
	}
}

func TestALinkLiesOverThePointOfItsRun(t *testing.T) {
	slow := trial.Run{Number: 1, Made: true, Speed: 80, Stop: 1300}
	fast := trial.Run{Number: 2, Made: true, Speed: 240, Stop: 1500}
	p, _ := inlined(t, judged(quay(), []trial.Run{slow, fast}), Inline{Link: func(run int) string { return strconv.Itoa(run) }})
	var at [][2]float64
	for _, e := range p.drawn {
		if e.Name.Local == "circle" {
			x, errX := strconv.ParseFloat(e.get("cx"), 64)
			y, errY := strconv.ParseFloat(e.get("cy"), 64)
			if err := errors.Join(errX, errY); err != nil {
				t.Fatal(err)
			}
			at = append(at, [2]float64{x, y})
		}
	}
	if len(at) != 2 || at[0][0] >= at[1][0] || at[0][1] <= at[1][1] {
		t.Errorf("the links are at %v, want that of the faster run at the right, and its longer stop above", at)
	}
}

func TestWithoutAnAddressNothingIsALink(t *testing.T) {
	for name, o := range map[string]Inline{"no function": {}, "no address": {Link: func(int) string { return "" }}} {
		for kind, s := range every(t) {
			if p, _ := inlined(t, s, o); p.elements["a"]+p.elements["circle"]+p.elements["title"] > 0 {
				t.Errorf("%s, %s: the picture has elements %v", name, kind, p.elements)
			}
		}
	}
}

func TestPointsBeforeAChangeLeadToTheRunsBeforeIt(t *testing.T) {
	s := tram()
	for i := range s.Before {
		s.Before[i].Number, s.After[i].Number = i+1, i+1
	}
	p, _ := inlined(t, s, Inline{Link: func(run int) string { return fmt.Sprintf("#after-%d", run) }, Before: func(run int) string { return fmt.Sprintf("#before-%d", run) }})
	var led []string
	for _, e := range p.drawn {
		if e.Name.Local == "a" {
			led = append(led, e.get("href"))
		}
	}
	slices.Sort(led)
	// two runs at each of four steps, each way: a point is their mean, and leads to the first
	var want []string
	for _, when := range []string{"after", "before"} {
		for _, run := range []int{1, 11, 13, 15, 3, 5, 7, 9} {
			want = append(want, fmt.Sprintf("#%s-%d", when, run))
		}
	}
	if !slices.Equal(led, want) {
		t.Errorf("links %q, want %q", led, want)
	}
}

func TestNamesAndAddressesDoNothingToThePage(t *testing.T) {
	for _, name := range []string{`</desc></g></svg><script>alert(1)</script>`, `" onload="alert(1)`, `style="fill:#1C1C1C"`, "turned \u202e, null \x00", strings.Repeat("long", 5000)} {
		b := judged(quay(), braked(quay(), constant, 6))
		b.Trial.Title = name
		for _, s := range []inliner{b, Beside{Of: []Braking{b, b}, Names: []string{name}}} {
			p, text := inlined(t, s, Inline{Link: func(int) string { return name }})
			if strings.ContainsAny(text, "\x00\u202e") || strings.Contains(text, "<script") {
				t.Errorf("name %.30q: the picture has it as it is", name)
			}
			for _, e := range p.drawn {
				for _, a := range e.Attr {
					if strings.HasPrefix(a.Name.Local, "on") {
						t.Errorf("name %.30q: %s has an attribute %s", name, e.Name.Local, a.Name.Local)
					}
				}
			}
		}
	}
}

func TestTenThousandRunsMakeASmallPartOfAPage(t *testing.T) {
	q := quay()
	q.Runs.Repeats = 1700
	b := judged(q, braked(q, constant, 30, 300, 900))
	for _, narrow := range []bool{false, true} {
		_, text := inlined(t, b, Inline{Narrow: narrow, Link: func(run int) string { return fmt.Sprintf("#run-%d", run) }})
		if len(text) > 800_000 {
			t.Errorf("narrow %v: %d runs make %d bytes, want 800 kB at the most", narrow, len(b.Runs), len(text))
		}
	}
}

func TestAPictureOfItsOwnFollowsWhatItsReaderPrefers(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6, 300, 900))
	for _, narrow := range []bool{false, true} {
		var svg bytes.Buffer
		if err := b.WritePage(&svg, narrow); err != nil {
			t.Fatal(err)
		}
		p := readBack(t, &svg, "svg", "title", "desc", "style", "g", "path", "text")
		i := slices.IndexFunc(p.drawn, func(e element) bool { return e.Name.Local == "style" })
		if i < 0 {
			t.Fatal("the picture has no style")
		}
		for _, want := range []string{"prefers-color-scheme: dark", "--paper:#14171a;", "--ink:#ecebe6;"} {
			if !strings.Contains(p.drawn[i].text, want) {
				t.Errorf("style %q, want %q in it", p.drawn[i].text, want)
			}
		}
		want := "760"
		if narrow {
			want = "360"
		}
		if got := p.drawn[0].get("width"); got != want {
			t.Errorf("narrow %v: width %s, want %s", narrow, got, want)
		}
	}
	if err := b.WritePage(&full{room: 10}, false); !errors.Is(err, errFull) {
		t.Errorf("error %v, want %v", err, errFull)
	}
	if err := b.WriteInline(&full{room: 10}, Inline{}); !errors.Is(err, errFull) {
		t.Errorf("error %v, want %v", err, errFull)
	}
}

func TestWordsStandOutFromThePaperInLightAndDark(t *testing.T) {
	// W3C, Web Content Accessibility Guidelines 2.1: relative luminance, contrast ratio, and 4.5:1 of success criterion 1.4.3
	luminance := func(hex string) float64 {
		var sum float64
		for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
			n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
			if err != nil {
				t.Fatal(err)
			}
			v := float64(n) / 255
			if v <= 0.03928 {
				v /= 12.92
			} else {
				v = math.Pow((v+0.055)/1.055, 2.4)
			}
			sum += weight * v
		}
		return sum
	}
	contrast := func(a, b string) float64 {
		high, low := max(luminance(a), luminance(b)), min(luminance(a), luminance(b))
		return (high + 0.05) / (low + 0.05)
	}
	// the same guidelines: black on white is 21:1
	if got := contrast("#000000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Fatalf("black on white is %v:1, want 21", got)
	}
	light, dark := map[string]string{}, map[string]string{}
	for _, p := range properties {
		light[p.name], dark[p.name] = hex(p.light), hex(p.dark)
	}
	for name, colours := range map[string]map[string]string{"light": light, "dark": dark} {
		for _, ground := range []string{"paper", "pale"} {
			for _, ink := range []string{"ink", "quiet", "blue", "rust"} {
				if got := contrast(colours[ink], colours[ground]); got < 4.5 {
					t.Errorf("%s: %s on %s has a contrast of %.2f:1, want 4.5", name, ink, ground, got)
				}
			}
		}
	}
}

func TestNamesBelowANarrowPlotAreWhole(t *testing.T) {
	b := judged(quay(), braked(quay(), constant, 6, 300, 900))
	for _, low := range []float64{-0.014, -10.5} { // the minus sign makes the longest
		b.Verdict.Law.Low = low
		if _, text := inlined(t, b, Inline{Narrow: true}); !strings.Contains(text, ">exponent "+b.Verdict.Law.String()+"<") {
			t.Errorf("the picture does not say exponent %v", b.Verdict.Law)
		}
	}
}
