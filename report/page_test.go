package report

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/report/chart"
	"fettle/trial"
)

var made = Made{Version: "1.2.3", When: instant}

// engine is a folder with something of each kind in it, all of it of the night-mail engine.
func engine(t testing.TB) Folder {
	t.Helper()
	path := folderOf(t, map[string]string{
		"bought.toml":      given(t, "surveys/engine-30-bought.toml"),
		"reset.toml":       given(t, "surveys/engine-30-reset.toml"),
		"sheet.toml":       given(t, "sheets/engine-30.toml"),
		"probe.toml":       given(t, "sheets/engine-30-probe.toml"),
		"set.toml":         given(t, "sets/engine-30-quay.toml"),
		"quay-2.toml":      given(t, "trials/night-mail-30.toml"),
		"quay-2.csv":       "# made 2026-11-25T09:00:00Z on simulated bench: night-mail engine 30\n" + given(t, "trials/night-mail-30.csv"),
		"quay-2.first.csv": "# made 2026-11-24T08:00:00Z on simulated bench: night-mail engine 30\nrun,lead,way,speed_mm_s,outcome,stop_mm\n1,front,with,160,overran,\n2,rear,with,160,stopped,1700\n",
		"speeds.toml":      given(t, "trials/night-mail-30-speed.toml"),
		"speeds.csv":       given(t, "trials/night-mail-30-speed.csv"),
		"notes.txt":        "nothing of ours",
	})
	data, err := os.ReadFile(filepath.Join("..", "testdata", "captures", "quay-section-2.wav"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, path, "quay.wav", string(data))
	later := instant.Add(24 * time.Hour)
	held, wanted := values(3, 10, 4, 10, 5, 255), values(3, 12, 4, 10, 5, 200)
	batch(t, path, "apply", later, func(j *journal.Journal) error {
		return errors.Join(j.Held(held), j.Wanted(wanted), j.Writing(register(3), 12), j.Writing(register(5), 200), j.Found(values(3, 12, 4, 10)), j.End("not proven"))
	})
	batch(t, path, "apply", later.Add(time.Hour), func(j *journal.Journal) error { return j.Held(held) })
	return read(t, path)
}

// onPage writes the page of folders, and reads it as a browser does.
func onPage(t testing.TB, folders ...Folder) (text string, root *html.Node) {
	t.Helper()
	var b bytes.Buffer
	if err := WriteHTML(&b, folders, made); err != nil {
		t.Fatal(err)
	}
	root, err := html.Parse(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return b.String(), root
}

func attribute(n *html.Node, key string) (value string, ok bool) {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val, true
		}
	}
	return "", false
}

// textOf is what is to be read in a part of a page.
func textOf(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode && d.Parent.Data != "style" {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// byID finds a part of a page.
func byID(t testing.TB, root *html.Node, id string) *html.Node {
	t.Helper()
	for n := range root.Descendants() {
		if is, ok := attribute(n, "id"); ok && is == id {
			return n
		}
	}
	t.Fatalf("the page has no id %q", id)
	return nil
}

func TestThePageSaysThingsInTheOrderInWhichTheyAreAsked(t *testing.T) {
	_, root := onPage(t, engine(t))
	var heads []string
	for n := range root.Descendants() {
		if n.Data == "h2" {
			heads = append(heads, textOf(n))
		}
	}
	want := []string{"Verdict", "Plots", "What the decoder is", "What it holds", "What was written and proven", "The track signal", "What failed",
		"How it was before", "How it was found", "The runs", "Cautions"}
	if !slices.Equal(heads, want) {
		t.Errorf("found %q\nwant  %q", heads, want)
	}
}

func TestEveryLinkOfAPageLeadsToAPlaceOnItAndNoPlaceIsThereTwice(t *testing.T) {
	other := engine(t)
	other.Name = "other"
	for _, folders := range [][]Folder{{engine(t)}, {engine(t), other}, {{Name: "empty"}}, nil} {
		_, root := onPage(t, folders...)
		ids := map[string]bool{}
		for n := range root.Descendants() {
			if id, ok := attribute(n, "id"); ok {
				if ids[id] {
					t.Errorf("%d folders: the id %q is there twice", len(folders), id)
				}
				ids[id] = true
			}
		}
		links := 0
		for n := range root.Descendants() {
			for _, key := range []string{"href", "aria-labelledby", "xlink:href"} {
				to, ok := attribute(n, key)
				if !ok {
					continue
				}
				links++
				to, inside := strings.CutPrefix(to, "#")
				if key != "aria-labelledby" && !inside {
					t.Errorf("%s leads away from the page: %q", n.Data, to)
				} else if !ids[to] {
					t.Errorf("%d folders: %s=%q leads nowhere", len(folders), key, to)
				}
			}
		}
		if links == 0 {
			t.Error("there is no link")
		}
	}
}

func TestThePageLoadsNothingAndRunsNothing(t *testing.T) {
	text, root := onPage(t, engine(t))
	for n := range root.Descendants() {
		if slices.Contains([]string{"script", "link", "img", "iframe", "object", "embed", "base", "form", "image", "use", "foreignObject"}, n.Data) && n.Type == html.ElementNode {
			t.Errorf("found <%s>", n.Data)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "src" || a.Key == "srcset" {
				t.Errorf("found %s=%q", a.Key, a.Val)
			}
		}
	}
	for _, not := range []string{"url(", "@import"} {
		if strings.Contains(text, not) {
			t.Errorf("found %s", not)
		}
	}
	const policy = `<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">`
	if !strings.Contains(text, policy) {
		t.Errorf("want %s", policy)
	}
}

func TestHeadingsTablesAndRegionsCanBeHeard(t *testing.T) {
	for _, folders := range [][]Folder{{engine(t)}, {engine(t), engine(t)}} {
		_, root := onPage(t, folders...)
		level := 0
		for n := range root.Descendants() {
			switch n.Data {
			case "html":
				if n.Type != html.ElementNode {
					continue
				}
				if lang, _ := attribute(n, "lang"); lang != "en" {
					t.Errorf("lang is %q", lang)
				}
			case "h1", "h2", "h3", "h4":
				now := int(n.Data[1] - '0')
				if now > level+1 {
					t.Errorf("%q is a heading of level %d below one of level %d", textOf(n), now, level)
				}
				level = now
			case "th":
				if scope, _ := attribute(n, "scope"); scope != "row" && scope != "col" {
					t.Errorf("the head %q has the scope %q", textOf(n), scope)
				}
			case "table":
				_, labelled := attribute(n, "aria-labelledby")
				if first := n.FirstChild.NextSibling; !labelled && (first == nil || first.Data != "caption") {
					if within := n.Parent; within == nil || !canScroll(within) {
						t.Errorf("a table has no name: %.80q", textOf(n))
					}
				}
			case "div":
				if class, _ := attribute(n, "class"); class == "wide" && !canScroll(n) {
					t.Errorf("a box that scrolls can't be reached by keyboard, or has no name: %.80q", textOf(n))
				}
			}
		}
	}
}

func canScroll(n *html.Node) bool {
	role, _ := attribute(n, "role")
	index, _ := attribute(n, "tabindex")
	_, labelled := attribute(n, "aria-labelledby")
	return role == "group" && index == "0" && labelled
}

func TestTheVerdictLeadsToItsFiguresAndTheseToTheirRuns(t *testing.T) {
	f := engine(t)
	_, root := onPage(t, f)
	if got := textOf(byID(t, root, "verdict").Parent); !strings.Contains(got, "Fit : it stops with the section from every wanted speed") {
		t.Errorf("the verdict is %q", got)
	}
	_, book, _ := f.Deciding()
	runs := pageOfBook(booksOf(f, ""), book.File)
	for i, stop := range book.Verdict.Stops {
		row := byID(t, root, fmt.Sprintf("stop%d", i+1))
		linked := 0
		for n := range row.Descendants() {
			if to, ok := attribute(n, "href"); ok && n.Data == "a" {
				linked++
				run := byID(t, root, strings.TrimPrefix(to, "#"))
				if text := textOf(run); !strings.Contains(text, stop.Lead.String()+" with") {
					t.Errorf("%s at %s leads to the run %q", stop.Lead, stop.Wanted, text)
				}
			}
		}
		if linked != stop.Stopped+stop.Overran {
			t.Errorf("%s at %s leads to %d runs, want %d", stop.Lead, stop.Wanted, linked, stop.Stopped+stop.Overran)
		}
	}
	for _, r := range book.Runs {
		text := textOf(byID(t, root, runs.runID(r.Number)))
		if !strings.HasPrefix(text, fmt.Sprint(r.Number)) || !strings.HasSuffix(text, fmt.Sprint(r.Line)) {
			t.Errorf("run %d on line %d is told as %q", r.Number, r.Line, text)
		}
	}
}

func TestAVerdictSaysAtOnceOnWhatItRestsThatIsInDoubt(t *testing.T) {
	f := read(t, folderOf(t, map[string]string{
		"quay.toml":     given(t, "trials/night-mail-30.toml"),
		"quay.runs.csv": "run,lead,way,speed_mm_s,outcome,stop_mm\n1,front,with,80,stopped,1400\n2,rear,with,80,stopped,1.4\n",
	}))
	_, root := onPage(t, f)
	for n := range byID(t, root, "verdict").Parent.Descendants() {
		if class, _ := attribute(n, "class"); !strings.HasPrefix(class, "verdict ") {
			continue
		}
		if got := textOf(n); !strings.Contains(got, "In doubt: line 3, run 2 :") || !strings.Contains(got, "The verdict takes it as it stands.") {
			t.Errorf("the verdict is %q", got)
		}
		for a := range n.Descendants() {
			if to, ok := attribute(a, "href"); ok {
				if row := textOf(byID(t, root, strings.TrimPrefix(to, "#"))); !strings.HasPrefix(row, "2 rear") {
					t.Errorf("the doubt leads to %q", row)
				}
				return
			}
		}
	}
	t.Error("the doubt does not lead to its run")
}

func TestTheOtherLawIsACurveAndNotAMotion(t *testing.T) {
	facts := brakingFacts(trial.Trial{}, trial.Verdict{Law: trial.Law{AICc: 12.3, Motion: trial.Motion{Known: true, Start: 1396, Deceleration: 8443, AICc: 14.5}}}, "")
	for _, f := range facts {
		if f.Label == "another curve through the same stops" {
			const want = "stop = 1396 mm + 0.00 s x v + v²/(2 x 8443 mm/s²), AICc 14.5 against 12.3 of the power of the entry speed, the lower the better; " +
				"how the stop grows with the entry speed v, not how the vehicle slows down"
			if f.Text != want {
				t.Errorf("found %q\nwant  %q", f.Text, want)
			}
			return
		}
	}
	t.Errorf("there is no other curve in %+v", facts)
}

func TestThePageClaimsNoMoreThanTheFilesSay(t *testing.T) {
	f := read(t, folderOf(t, map[string]string{
		"quay.toml":     given(t, "trials/night-mail-30.toml"),
		"quay.runs.csv": "run,lead,way,speed_mm_s,outcome,stop_mm\n1,front,with,80,stopped,1400\n2,front,with,160,stopped,1700\n",
	}))
	text, root := onPage(t, f)
	if strings.Contains(text, "in an order drawn at random") {
		t.Error("the order of a spreadsheet is said to be drawn at random")
	}
	method := textOf(byID(t, root, "method").Parent)
	for _, want := range []string{
		"2 runs in the order of the file, entered at 80 to 160 mm/s: 2 with the front leading, 0 with the rear; 2 with the section, 0 against it.",
		"not said not said quay.runs.csv",
	} {
		if !strings.Contains(method, want) {
			t.Errorf("want %q in %q", want, method)
		}
	}
	const sound = "No batch, survey or capture is in this folder that could have failed. No run by itself did what it should not; what the runs show together is in the verdict."
	if failed := textOf(byID(t, root, "failed").Parent); !strings.Contains(failed, sound) {
		t.Errorf("found %q, want %q", failed, sound)
	}
}

func TestWhatDecodersHoldOtherwiseLeavesOutWhatChangesByItselfAndWhoSaysNothing(t *testing.T) {
	holding := func(name string, speed, load uint8) Folder {
		s := regset.Survey{When: instant}
		s.Registers = values(3, int(speed), 892, int(load))
		return Folder{Name: name, Surveys: []Survey{{"s.toml", s}}}
	}
	_, root := onPage(t, holding("a", 10, 1), holding("b", 12, 200), Folder{Name: "quiet"})
	differ := textOf(byID(t, root, "differ").Parent)
	if !strings.Contains(differ, "acceleration 10 12") || strings.Contains(differ, "892") {
		t.Errorf("found %q", differ)
	}
	if table := textOf(byID(t, root, "differ-table").Parent); strings.Contains(table, "quiet") || !strings.Contains(differ, "what these hold: quiet") {
		t.Errorf("found %q", differ)
	}
}

func TestAReasonLeadsToWhereItsFiguresAre(t *testing.T) {
	for reason, want := range map[string]string{
		"at each wanted speed and lead the mean stop is between 1385 and 1420 mm: within 40 mm of 1400 mm": "stops",
		"how it brakes: constant distance, exponent 0.00 (-0.01 to 0.01)":                                  "law",
		"99 stops in 100 end before 1451 mm; the room is 1800 mm":                                          "scatter",
		"it stopped in all 24 runs with the section, and in none of 6 against it":                          "cases",
		"it senses nothing of the section":                                                                 "cases",
		"front leading, it does not stop with the section: 3 ignored":                                      "cases",
		"it passes the 1800 mm of room in 3 of 24 runs with the section":                                   "stops",
		"its stop depends on its speed: constant deceleration, exponent 2.01 (1.99 to 2.03)":               "law",
		"front leading, at 240 mm/s it stops at 1700 mm (1690 to 1710), beyond 1400 mm ± 40 mm":            "stops",
		"no run was made": "b1",
	} {
		if got := grounds(reason, "", "b1"); got.To != want {
			t.Errorf("%q leads to %q, want %q", reason, got.To, want)
		}
	}
	b := bookPage{ID: "b1", has: map[int]bool{3: true, 7: true}}
	got := b.linked("rear leading, it does not always stop with the section: 2 ignored (runs 3, 7, 9 and 4 more)")
	var links, text string
	for _, part := range got {
		text += part.Text
		links += part.To + ";"
	}
	if links != ";b1-3;;b1-7;;;;" || text != "rear leading, it does not always stop with the section: 2 ignored (runs 3, 7, 9 and 4 more)" {
		t.Errorf("found %q with links %q", text, links)
	}
}

func TestWhatARegisterHoldsIsToldInWordsAndADifferenceFromAResetByAWord(t *testing.T) {
	f := engine(t)
	_, root := onPage(t, f)
	defaults, _ := f.Defaults()
	checked := 0
	for _, now := range f.Now() {
		row := byID(t, root, holdsOf(f, "").row(now.Register))
		text := textOf(row)
		if !strings.Contains(text, f.Sheet().Named(now.Register).Name) && !strings.Contains(text, "-") {
			t.Errorf("register %v is told as %q", now.Register, text)
		}
		preset, known := defaults[now.Register]
		changed := fmt.Sprintf("changed from %d", preset)
		strong := false
		for n := range row.Descendants() {
			strong = strong || n.Data == "strong" && strings.HasPrefix(textOf(n), fmt.Sprint(now.Value))
		}
		if differs := known && preset != now.Value; differs != strings.Contains(text, changed) || differs != strong {
			t.Errorf("register %v holds %d, and %d after a reset: told as %q, bold: %v", now.Register, now.Value, preset, text, strong)
		} else if differs {
			checked++
		}
	}
	if checked == 0 {
		t.Error("no register differs from what a reset leaves")
	}
	// NMRA S-9.2.2 (July 2012), CV 29: bit 1 chooses 28 and 128 steps, bit 2 allows other power.
	if text := textOf(byID(t, root, "r29")); !strings.Contains(text, "28 and 128") {
		t.Errorf("register 29 is told as %q", text)
	}
}

func TestABatchIsToldRegisterByRegister(t *testing.T) {
	_, root := onPage(t, engine(t))
	text := textOf(byID(t, root, "written").Parent)
	for _, want := range []string{
		"acceleration 10 12 12 written and proven",
		"255 200 not proven",
		"Held already what was wanted, and was found so again: 4.",
		"stopped half-way: it can be gone on with, or undone",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("want %q in %q", want, text)
		}
	}
}

func TestTheSameFoldersGiveTheSameBytes(t *testing.T) {
	f, g := engine(t), engine(t)
	g.Path, g.Name = f.Path, f.Name
	one, _ := onPage(t, f, g)
	for range 3 {
		if again, _ := onPage(t, f, g); again != one {
			t.Fatal("the second page differs from the first")
		}
	}
}

func TestWhatWasSimulatedIsSaidFirst(t *testing.T) {
	f := engine(t)
	_, root := onPage(t, f)
	for n := range root.Descendants() {
		if n.Data == "header" {
			if text := textOf(n); !strings.Contains(text, "Simulated.") {
				t.Errorf("the head is %q", text)
			}
		}
	}
	for i := range f.Surveys {
		f.Surveys[i].Station = "board on port 3"
	}
	f.Journals, f.Probes = nil, nil
	for _, trials := range [][]Trial{f.Trials, f.Speeds} {
		for _, of := range trials {
			for i := range of.Books {
				of.Books[i].Made = []trial.Sitting{{When: instant, Station: trial.ByHand}}
			}
		}
	}
	if text, _ := onPage(t, f); strings.Contains(text, "Simulated.") {
		t.Error("what was made on a board is called simulated")
	}
}

// hostile are names that would do harm as HTML, as an attribute, as CSS or as text.
var hostile = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' onmouseover='alert(1)`, `</style><script>`, `</title><script>`, `</svg><script>`,
	"javascript:alert(1)", "{{.}}", "&lt;b&gt;&#x202e;", "a\u202Eb\u2066c\u200Fd", "nul\x00bell\x07line\nend\ttab", "\xff\xfe", strings.Repeat("W", 300), "]]>", "<!--",
}

// hostileFolder is an engine's in which each text that comes from a file, or is the name of one, is that text.
func hostileFolder(t testing.TB, text string) Folder {
	f := engine(t)
	f.Path, f.Name = text, text
	for i := range f.Surveys {
		f.Surveys[i].File, f.Surveys[i].Station = text, text
	}
	for i := range f.Sets {
		f.Sets[i].File, f.Sets[i].Title = text, text
	}
	for i := range f.Journals {
		j := &f.Journals[i]
		j.File, j.Title, j.Batch, j.Station = text, text, text, text
		if j.Ended != "" {
			j.Ended = text
		}
	}
	for i := range f.Sheets {
		s := &f.Sheets[i]
		s.File, s.Title = text, text
		s.Groups = []string{text}
		for k := range s.Entries {
			s.Entries[k].Name, s.Entries[k].Note, s.Entries[k].Group = text, text, text
			for bit := range s.Entries[k].Bits {
				s.Entries[k].Bits[bit] = text
			}
		}
	}
	for i := range f.Probes {
		f.Probes[i].File, f.Probes[i].Station = text, text
	}
	for _, trials := range [][]Trial{f.Trials, f.Speeds} {
		for i := range trials {
			trials[i].File, trials[i].Title, trials[i].Vehicle.Name = text, text, text
			for k := range trials[i].Books {
				b := &trials[i].Books[k]
				b.File, b.Made = text+fmt.Sprint(k), []trial.Sitting{{When: instant, Station: text}}
				b.Doubts = []trial.Doubt{{Words: text}}
				for r := range b.Runs {
					b.Runs[r].Note = text
				}
			}
		}
	}
	for i := range f.Captures {
		f.Captures[i].File, f.Captures[i].Stopped, f.Captures[i].Info.Signal = text, text, text
	}
	f.Unread = []Unread{{File: text, Why: text}}
	return f
}

// tree is what a page is made of, pictures aside: its elements and their attributes, without the text.
func tree(root *html.Node) (all []string) {
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.ElementNode {
			var keys []string
			for _, a := range n.Attr {
				keys = append(keys, a.Key)
			}
			all = append(all, n.Data+" "+strings.Join(keys, " "))
			if n.Data == "svg" {
				return
			}
		}
		for child := n.FirstChild; child != nil; child = child.NextSibling {
			walk(child)
		}
	}
	walk(root)
	return all
}

func TestNamesAreShownAsTextWhateverIsInThem(t *testing.T) {
	for _, several := range []bool{false, true} {
		pageWith := func(text string) (string, *html.Node) {
			f := hostileFolder(t, text)
			if several {
				return onPage(t, f, f)
			}
			return onPage(t, f)
		}
		_, plain := pageWith("plain")
		want := tree(plain)
		for _, text := range hostile {
			page, root := pageWith(text)
			if got := tree(root); !slices.Equal(got, want) {
				at := 0
				for at < len(got) && at < len(want) && got[at] == want[at] {
					at++
				}
				t.Errorf("%q made another page of it, from element %d on: %q", text, at, got[at:min(at+3, len(got))])
			}
			for n := range root.Descendants() {
				if n.Type != html.ElementNode {
					continue
				}
				if n.Data == "script" || n.Data == "img" {
					t.Errorf("%q became a <%s>", text, n.Data)
				}
				for _, a := range n.Attr {
					if strings.HasPrefix(a.Key, "on") {
						t.Errorf("%q became the attribute %s", text, a.Key)
					}
				}
			}
			for _, r := range page {
				if r != '\n' && r != '\t' && unseen(r) {
					t.Errorf("%q: the page has %U", text, r)
					break
				}
			}
		}
	}
	if got := shown("a\u202Eb\x00\n\xffc\u200Dd\uFFFD"); got != "a[U+202E]b[U+0000][U+000A][byte FF]c\u200Dd[U+FFFD]" {
		t.Errorf("found %q", got)
	}
	_, root := onPage(t, hostileFolder(t, `<script>alert("1")</script>`))
	if text := textOf(root); !strings.Contains(text, `<script>alert("1")</script>`) {
		t.Error("the name can't be read as it is")
	}
}

func TestAFolderOfOneHundredSurveysAndTenThousandRunsStaysBelowFiveMegabytes(t *testing.T) {
	f := read(t, large(t))
	var b bytes.Buffer
	if err := WriteHTML(&b, []Folder{f}, made); err != nil {
		t.Fatal(err)
	}
	if b.Len() > 5_000_000 {
		t.Errorf("the page has %d bytes", b.Len())
	}
	rows := bytes.Count(b.Bytes(), []byte(`<tr id="b`))
	if rows != 10_000 {
		t.Errorf("%d runs have a row, want 10000", rows)
	}
	t.Logf("%d bytes", b.Len())
}

func BenchmarkPageOfALargeFolder(b *testing.B) {
	f := read(b, large(b))
	for b.Loop() {
		if err := WriteHTML(new(bytes.Buffer), []Folder{f}, made); err != nil {
			b.Fatal(err)
		}
	}
}

func TestSeveralFoldersAreRankedAndTheirFiguresStandSideBySide(t *testing.T) {
	good, bad := engine(t), engine(t)
	good.Name, bad.Name = "candidate A", "candidate B"
	book := &bad.Trials[0].Books[len(bad.Trials[0].Books)-1]
	for i := range book.Runs {
		if r := &book.Runs[i]; r.Outcome == trial.Stopped {
			r.Stop += 300
		}
	}
	book.Verdict = trial.Judge(bad.Trials[0].Trial, book.Runs)
	bad.Surveys[len(bad.Surveys)-1].Registers[cv.Register{CV: 3}]++
	bad.Journals, good.Journals = nil, nil
	_, root := onPage(t, bad, good)
	ranking := textOf(byID(t, root, "ranking").Parent)
	if a, b := strings.Index(ranking, "1 candidate A fit"), strings.Index(ranking, "2 candidate B unfit"); a < 0 || b < a {
		t.Errorf("the ranking is %q", ranking)
	}
	if text := textOf(byID(t, root, "differ").Parent); !strings.Contains(text, "3 acceleration") {
		t.Errorf("what they hold otherwise is %q", text)
	}
	figures := textOf(byID(t, root, "figures-table").Parent)
	for _, want := range []string{"worst stop", "exponent", "candidate A", "candidate B", "room 1800 mm"} {
		if !strings.Contains(figures, want) {
			t.Errorf("the figures lack %q: %q", want, figures)
		}
	}
}

func TestADecoderOfAnotherTypeInTheFolderIsSaid(t *testing.T) {
	f := engine(t)
	maker, version := uint8(13), uint8(99)
	other := f.Surveys[0]
	other.File, other.Decoder = "other.toml", regset.Guard{Maker: &maker, Version: &version}
	f.Surveys = append(f.Surveys, other)
	if text, _ := onPage(t, f); !strings.Contains(text, "More than one type of decoder.") {
		t.Error("two types of decoder are not told apart")
	}
}

func TestPicturesOfThePageTakeItsColours(t *testing.T) {
	text, _ := onPage(t, engine(t))
	if n := strings.Count(text, "<svg"); n != 6 {
		t.Errorf("%d pictures, want three, each for a wide window and for a narrow one", n)
	}
	var drawn bytes.Buffer
	if err := (chart.Braking{}).WriteInline(&drawn, chart.Inline{}); err != nil {
		t.Fatal(err)
	}
	for _, part := range strings.Split(drawn.String(), "var(")[1:] {
		name, _, _ := strings.Cut(part, ",")
		if !strings.Contains(Look, name+":") {
			t.Errorf("the look has no %s", name)
		}
	}
}

func TestAReasonThatTheSentenceHasIsSaidOnce(t *testing.T) {
	const reason = "front leading, it does not run on against the section: 3 stopped"
	b := Book{File: "r.csv", Runs: []trial.Run{{Number: 1, Made: true}}, Verdict: trial.Verdict{Fitness: trial.Unfit, Sentence: "Unfit: " + reason + ".",
		Reasons: []string{reason, "it senses nothing of the section"}}}
	f := Folder{Name: "a", Trials: []Trial{{File: "t.toml", Books: []Book{b}}}}
	v := verdictOf(f, nil, "")
	if len(v.Reasons) != 1 || v.Reasons[0].Parts[0].Text != "it senses nothing of the section" {
		t.Errorf("the reasons are %+v", v.Reasons)
	}
}

func TestAComparisonIsSaidOnce(t *testing.T) {
	a, b := tried("a", trial.Fit, 1, 1420, reach{1395, 1405}), tried("b", trial.Unfit, 1, 1420, reach{1395, 1405})
	_, root := onPage(t, b, a)
	var heads []string
	for n := range byID(t, root, "ranking").Parent.Descendants() {
		if n.Data == "h3" {
			heads = append(heads, textOf(n))
		}
	}
	if want := []string{"Why b is at place 2"}; !slices.Equal(heads, want) {
		t.Errorf("found %q, want %q", heads, want)
	}
}

func TestWhatAFileDoesNotSayOfItsRunsIsASentence(t *testing.T) {
	f := read(t, folderOf(t, map[string]string{"quay.toml": given(t, "trials/night-mail-30.toml"), "quay.csv": given(t, "trials/night-mail-30.csv")}))
	_, root := onPage(t, f)
	if got := textOf(byID(t, root, "verdict").Parent); !strings.Contains(got, "in quay.csv : the file does not say when they were made, nor on what .") {
		t.Errorf("found %q", got)
	}
}

func TestAReasonOnPaperNamesTheHeadingOfItsFigures(t *testing.T) {
	text, root := onPage(t, engine(t))
	if got := textOf(byID(t, root, "verdict").Parent); !strings.Contains(got, "(from stops , in Figures )") || !strings.Contains(textOf(root), "Figures: Night-mail engine 30") {
		t.Errorf("found %q", got)
	}
	_, print, _ := strings.Cut(text, ".on-paper { display: none; }")
	if !strings.Contains(print, ".on-paper { display: inline; }") {
		t.Error("what paper has to say is not seen on it")
	}
}

func TestWhatChangesByItselfHasNoWordWhereValuesAre(t *testing.T) {
	s := regset.Survey{When: instant, Changing: []cv.Register{register(892)}}
	s.Registers = values(3, 10)
	_, root := onPage(t, Folder{Name: "a", Surveys: []Survey{{"s.toml", s}}})
	if got := textOf(byID(t, root, "holds").Parent); !strings.Contains(got, "892 load - It changes by itself, so that no value is told.") {
		t.Errorf("found %q", got)
	}
}
