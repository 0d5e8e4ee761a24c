package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"fettle/station"
	"fettle/trial"
)

// verdictPage is the verdict on the runs that decide.
type verdictPage struct {
	Known   bool
	None    string   // where it is not: why
	Refused []Unread // files of runs that it does not take in
	Class   string   // "fit", "unfit", "more_runs"
	Word    string   // the sentence up to its colon
	Rest    []link   // what follows, in which runs lead to their rows
	Doubts  [][]link // runs that it takes as they stand, and that a person is to look at
	Reasons []reasonPage
	Notes   []string
	Title   string // of the trial
	Of      link   // the runs
	Made    string // when and on what
	Others  []link // trials of braking beside the one that decides: what their last runs say
}

// reasonPage is a reason of a verdict, in which runs lead to their rows, and the figures that it rests on.
type reasonPage struct {
	Parts   []link
	Grounds link
	Figure  bool // the grounds are among the figures, which paper has to say, where nothing leads
}

func verdictOf(f Folder, books []bookPage, prefix string) (v verdictPage) {
	t, b, ok := f.Deciding()
	v.None, v.Refused = f.NoVerdict(), f.Refused()
	for _, other := range f.Trials {
		if n := len(other.Books); n > 0 && (!ok || other.File != t.File) {
			last := other.Books[n-1]
			v.Others = append(v.Others, link{other.Title + ": " + last.Verdict.Sentence, pageOfBook(books, last.File).ID})
		}
	}
	if !ok {
		return v
	}
	of := pageOfBook(books, b.File)
	v.Known, v.Class, v.Title, v.Notes, v.Made = true, b.Verdict.Fitness.String(), t.Title, b.Verdict.Notes, sittings(b)
	word, rest, more := strings.Cut(b.Verdict.Sentence, ": ")
	v.Word = word
	if more {
		v.Rest = of.linked(rest)
	}
	v.Of = link{counted(of.Count, "run", "runs") + " in " + b.File, of.ID}
	for _, d := range b.Doubts {
		v.Doubts = append(v.Doubts, of.linked(d.String()))
	}
	for _, reason := range b.Reasons() {
		from := grounds(reason, prefix, of.ID)
		v.Reasons = append(v.Reasons, reasonPage{of.linked(reason), from, from.To != of.ID})
	}
	return v
}

// pageOfBook finds a file of runs among those of the page.
func pageOfBook(books []bookPage, file string) bookPage {
	for _, b := range books {
		if b.File == file {
			return b
		}
	}
	return bookPage{}
}

// grounds leads from a reason of a verdict to the figures that it rests on.
func grounds(reason, prefix, runs string) link {
	has := func(words ...string) bool {
		for _, w := range words {
			if strings.Contains(reason, w) {
				return true
			}
		}
		return false
	}
	switch {
	case has("stops in", "scatter", "in 100 end", "the room is"):
		return link{"scatter", prefix + "scatter"}
	case has("how it brakes", "exponent", "depends on its speed"):
		return link{"how it brakes", prefix + "law"}
	case has("against", "senses", "does not stop with", "does not always stop with", "made with the section"):
		return link{"what it senses", prefix + "cases"}
	case has("mean stop", "it stops at", "no stop was seen", "of room", "same speed and lead"):
		return link{"stops", prefix + "stops"}
	}
	return link{"runs", runs}
}

// runNumbers are the runs that a sentence names: "run 7", "runs 3, 7, 9 and 4 more".
var runNumbers = regexp.MustCompile(`\bruns? \d+(?:, \d+)+|\brun \d+`)

// linked is a sentence in which the runs that it names lead to their rows.
func (b bookPage) linked(sentence string) (parts []link) {
	end := 0
	for _, at := range runNumbers.FindAllStringIndex(sentence, -1) {
		word, list, _ := strings.Cut(sentence[at[0]:at[1]], " ")
		parts = append(parts, link{Text: sentence[end:at[0]] + word + " "})
		for i, number := range strings.Split(list, ", ") {
			if i > 0 {
				parts = append(parts, link{Text: ", "})
			}
			to := ""
			if n, err := strconv.Atoi(number); err == nil && b.has[n] {
				to = b.runID(n)
			}
			parts = append(parts, link{number, to})
		}
		end = at[1]
	}
	return append(parts, link{Text: sentence[end:]})
}

// figuresPage is what the runs that decide show, with units and intervals.
type figuresPage struct {
	Prefix string // of ids
	Title  string
	Runs   link
	Made   string // how the runs were made, as far as they show it
	Stops  []stopRow
	Within string // what a stop has to keep to
	Cases  []caseRow
	Senses string
	Facts  []fact
}

// stopRow is where the vehicle stops from one speed, with one lead.
type stopRow struct {
	ID, Lead, Wanted, Entered, Scale, Stopped, Overran, Stop, Interval, OnTarget string
	Runs                                                                         []link
	More                                                                         int // runs that are not in Runs
}

// caseRow is what became of the runs with one lead: with the section, and against it.
type caseRow struct {
	ID, Lead      string
	With, Against caseCell
}

type caseCell struct {
	Text string
	Runs []link
	More int
}

// mostLinks is how many runs are named one by one behind a figure.
const mostLinks = 24

func figuresOf(f Folder, books []bookPage, prefix string) *figuresPage {
	t, b, ok := f.Deciding()
	if !ok {
		return nil
	}
	v, of := b.Verdict, pageOfBook(books, b.File)
	p := &figuresPage{Prefix: prefix, Title: t.Title, Runs: link{b.File, of.ID}}
	p.Made = madeHow(b.Runs)
	p.Within = fmt.Sprintf("wanted: %s ± %s", t.Wanted.Stop, t.Wanted.Within)
	for i, s := range v.Stops {
		row := stopRow{
			ID: fmt.Sprintf("%sstop%d", prefix, i+1), Lead: s.Lead.String(), Wanted: s.Wanted.String(), Stopped: fmt.Sprint(s.Stopped), Overran: fmt.Sprint(s.Overran),
			OnTarget: s.OnTarget.String(),
		}
		if s.Wanted == 0 {
			row.Wanted = fmt.Sprintf("step %d", s.Step)
		}
		if s.Speed > 0 {
			row.Entered, row.Scale = s.Speed.String(), toScale(s.Speed, t.Vehicle.Scale)
		}
		if s.Stopped > 0 {
			row.Stop = s.Stop.String()
			row.Interval = "not known"
			if s.High > s.Low {
				row.Interval = fmt.Sprintf("%.0f to %.0f mm", float64(s.Low), float64(s.High))
			}
		}
		row.Runs, row.More = of.runsThat(b.Runs, func(r trial.Run) bool { return s.Counts(t.Wanted, r) })
		p.Stops = append(p.Stops, row)
	}
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		row := caseRow{ID: prefix + "case-" + lead.String(), Lead: lead.String()}
		for way, cell := range map[station.Way]*caseCell{station.With: &row.With, station.Against: &row.Against} {
			cell.Text = "not tried"
			if c := v.Response.Case(lead, way); c.Runs() > 0 {
				cell.Text = fmt.Sprintf("%s, of %s", c, counted(c.Runs(), "run", "runs"))
			}
			cell.Runs, cell.More = of.runsThat(b.Runs, func(r trial.Run) bool { return r.Made && r.Lead == lead && r.Way == way })
		}
		p.Cases = append(p.Cases, row)
	}
	p.Senses = sensed(v.Response)
	p.Facts = brakingFacts(t.Trial, v, prefix)
	return p
}

// madeHow says of runs what they show of how they were made: of a spreadsheet no more is known.
func madeHow(runs []trial.Run) string {
	steps := map[uint8]bool{}
	var slowest, fastest station.MillimetresPerSecond
	var leads, ways [2]int
	n := 0
	for _, r := range runs {
		if !r.Made {
			continue
		}
		n++
		leads[r.Lead]++
		ways[r.Way]++
		if r.Speed > 0 {
			if slowest == 0 || r.Speed < slowest {
				slowest = r.Speed
			}
			fastest = max(fastest, r.Speed)
		}
		if r.Step > 0 {
			steps[r.Step] = true
		}
	}
	at := ""
	if len(steps) > 0 {
		at = ", at " + counted(len(steps), "speed step", "speed steps")
	}
	if fastest > 0 {
		at += fmt.Sprintf(", entered at %s to %s mm/s", decimal(float64(slowest)), decimal(float64(fastest)))
	}
	return fmt.Sprintf("%s in the order of the file%s: %d with the front leading, %d with the rear; %d with the section, %d against it.",
		counted(n, "run", "runs"), at, leads[station.Front], leads[station.Rear], ways[station.With], ways[station.Against])
}

// runsThat are the links to some of the runs, and how many more there are.
func (b bookPage) runsThat(runs []trial.Run, pick func(trial.Run) bool) (links []link, more int) {
	for _, r := range runs {
		switch {
		case !b.has[r.Number] || !pick(r):
		case len(links) == mostLinks:
			more++
		default:
			links = append(links, link{strconv.Itoa(r.Number), b.runID(r.Number)})
		}
	}
	return links, more
}

// sensed is what the response table says of the decoder.
func sensed(r trial.Response) string {
	text := "What it senses is not clear"
	switch r.Senses {
	case trial.SensesTravel:
		text = "It senses the rail on one side of its travel"
	case trial.SensesVehicle:
		text = "It senses the rail on one side of the vehicle"
	case trial.SensesEither:
		text = "It senses either asymmetry"
	case trial.SensesNothing:
		text = "It senses nothing"
	}
	if r.Mirror {
		text += ", the other way than the section is said to be wired"
	}
	text += "."
	if r.Register27 != "" {
		text += " " + r.Register27
	}
	return text
}

// brakingFacts say how it brakes and how far stops scatter, each with its unit and its interval.
func brakingFacts(t trial.Trial, v trial.Verdict, prefix string) (facts []fact) {
	confidence := t.Wanted.Confidence
	if !(confidence > 0 && confidence < 1) {
		confidence = 0.95 // as trial.Judge has it
	}
	sure := fmt.Sprintf("at a confidence of %s", percent(confidence))
	add := func(id, label, text string) {
		if id != "" {
			id = prefix + id
		}
		facts = append(facts, fact{ID: id, Label: label, Text: text, To: prefix + "stops"})
	}
	law := "not known: it needs stops at two speeds or more"
	if v.Law.Known {
		law = fmt.Sprintf("%s; the stop goes as the entry speed to the power of %v, %s, by %s that stopped and %d that passed the room. 0 is constant "+
			"distance, 1 constant time, 2 constant deceleration", v.Brakes, v.Law, sure, counted(v.Law.Stopped, "run", "runs"), v.Law.Overran)
	}
	add("law", "how it brakes", law)
	if m := v.Law.Motion; m.Known {
		text := fmt.Sprintf("stop = %s + %.2f s x v", m.Start, m.Response.Seconds())
		if m.Deceleration > 0 {
			text += fmt.Sprintf(" + v²/(2 x %.0f mm/s²)", float64(m.Deceleration))
		}
		if own, other := v.Law.AICc, m.AICc; !math.IsInf(own, 0) && !math.IsInf(other, 0) {
			text += fmt.Sprintf(", AICc %.1f against %.1f of the power of the entry speed, the lower the better", other, own)
		}
		add("", "another curve through the same stops", text+"; how the stop grows with the entry speed v, not how the vehicle slows down")
	}
	add("", "constant distance", v.ConstantDistance.String())
	if v.Holds.High > v.Holds.Low {
		add("", "keeps to the tolerance", fmt.Sprintf("from %s to %s, by the law", v.Holds.Low, v.Holds.High))
	}
	pattern := v.Pattern.String()
	if len(v.Patterns) > 0 {
		pattern += fmt.Sprintf(", by %s; the best fit is %s, off by %.1f %% of the time that a stop takes at entry speed", counted(v.Patterns[0].Times, "time", "times"),
			v.Patterns[0].Pattern, 100*v.Patterns[0].Off)
	}
	add("", "pattern", pattern)
	scatter := "not known: nothing was repeated"
	if v.Scatter.Degrees > 0 {
		scatter = fmt.Sprintf("standard deviation %.1f mm at the same speed and lead, with %d degrees of freedom", float64(v.Scatter.Deviation), v.Scatter.Degrees)
	}
	add("scatter", "scatter", scatter)
	if b := v.Bound; b.At > 0 {
		add("bound", "bound", fmt.Sprintf("%s of stops end before %s, with a confidence of %s: put the mark no nearer. Within the room of %s: %s",
			percent(b.Share), b.At, percent(b.Confidence), roomOf(t), b.WithinRoom))
	}
	if v.Drift.Seen() {
		add("", "drift", fmt.Sprintf("stops moved by %+.0f mm from the first run to the last (chance of so much without a drift: %.2g)", float64(v.Drift.FirstToLast), v.Drift.Chance))
	}
	if v.Leads.Seen() {
		add("", "leads differ", fmt.Sprintf("with the rear leading it runs %+.0f mm farther (%.0f to %.0f mm, at a confidence of 99 %%)", float64(v.Leads.By), float64(v.Leads.Low),
			float64(v.Leads.High)))
	}
	return facts
}

// roomOf is the length to the place that must not be passed.
func roomOf(t trial.Trial) station.Millimetres {
	if t.Section.Room > 0 {
		return t.Section.Room
	}
	return t.Section.Length
}

// percent is a share in hundredths: "95 %".
func percent(share float64) string { return strconv.FormatFloat(100*share, 'g', 4, 64) + " %" }

// toScale is a speed as it would be if the vehicle were full size, in km/h; "" where the scale is not known.
func toScale(v station.MillimetresPerSecond, scale float64) string {
	if !(scale > 0) || !(v > 0) {
		return ""
	}
	return fmt.Sprintf("%.0f km/h", float64(v)*scale*3600/1e6)
}
