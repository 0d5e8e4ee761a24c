package chart

import (
	"fmt"
	"math"
	"strings"

	"fettle/station"
	"fettle/trial"
)

// The size of the chart for a terminal, in characters.
const (
	textWidth  = 60
	textRows   = 12 // of the plot; with what is above and below it 16
	textLabels = 6  // at the left
	textNames  = 16 // at the right
	textPlot   = textWidth - textLabels - 1 - textNames
)

// Text is a small chart of the stops against the entry speed for a terminal: 16 lines of at most 60 characters, each with its end of line. A
// letter is a run: f with the front leading, r with the rear, * both. Where no run with the section has a place it is empty.
func (b Braking) Text() string {
	s := spotsOf(b.Runs)
	if s.count() == 0 {
		return ""
	}
	r := b.reach(s)
	room := float64(b.room())
	if room > 0 { // with a row above it, for overruns
		r.high = max(r.high, 1e-6*room+(textRows*room-r.low)/(textRows-1))
	}
	row := func(mm float64) int {
		return min(max(int(float64(textRows)*(r.high-mm)/(r.high-r.low)), 0), textRows-1)
	}
	column := func(v float64) int { return min(max(int(float64(textPlot)*v/r.speed), 0), textPlot-1) }

	var plot [textRows][]rune
	for i := range plot {
		plot[i] = []rune(strings.Repeat(" ", textPlot))
	}
	names := make([]string, textRows)
	labels := make([]string, textRows)
	// Where two share a row, the weightier comes later.
	across := func(mm float64, mark rune, text string) {
		i := row(mm)
		for j := range plot[i] {
			plot[i][j] = mark
		}
		names[i] = text
	}
	if near, far, ok := b.wanted(); ok {
		for i := row(far); i <= row(near); i++ {
			for j := range plot[i] {
				plot[i][j] = ':'
			}
		}
	}
	if at := float64(b.Verdict.Bound.At); b.hasBound() && at <= r.high && row(at) != row(float64(b.Trial.Wanted.Stop)) {
		across(at, '-', " "+share(b.Verdict.Bound.Share)+" end")
		labels[row(at)] = fmt.Sprintf("%.0f", at)
	}
	if w := b.Trial.Wanted; w.Stop > 0 && w.Stop <= noDistance && w.Within >= 0 {
		i := row(float64(w.Stop))
		names[i] = " wanted ±" + number(float64(w.Within))
		labels[i] = fmt.Sprintf("%.0f", float64(w.Stop))
	}
	if room > 0 {
		across(room, '─', " room")
		labels[row(room)] = fmt.Sprintf("%.0f", room)
	}
	if labels[textRows-1] == "" {
		labels[textRows-1] = fmt.Sprintf("%.0f", math.Ceil(r.low))
	}
	put := func(i int, s spot) {
		letter := 'f'
		if s.lead == station.Rear {
			letter = 'r'
		}
		at := &plot[i][column(s.speed)]
		if *at == '*' || *at == 'f' && letter == 'r' || *at == 'r' && letter == 'f' {
			letter = '*'
		}
		*at = letter
	}
	for _, spot := range s.by[trial.Stopped] {
		put(row(spot.stop), spot)
	}
	for _, spot := range s.by[trial.Overran] {
		above := 0
		if room > 0 {
			above = max(0, row(room)-1)
		}
		plot[above][column(spot.speed)] = '^'
	}
	return b.textFrame(plot[:], labels, names, s, r)
}

// textFrame puts the axes and the words round the plot.
func (b Braking) textFrame(plot [][]rune, labels, names []string, s spots, r reach) string {
	var out strings.Builder
	put := func(format string, values ...any) {
		text := []rune(strings.TrimRight(fmt.Sprintf(format, values...), " "))
		out.WriteString(string(text[:min(len(text), textWidth)]) + "\n")
	}
	heading := "stop, mm past trigger"
	if n := len(s.by[trial.Overran]); n > 0 {
		heading += fmt.Sprintf("; ^ overran %d", n)
	}
	for _, o := range []trial.Outcome{trial.Slowed, trial.Ignored} {
		if n := len(s.by[o]); n > 0 {
			heading += fmt.Sprintf("; %s %d", o, n)
		}
	}
	put("%s", heading)
	for i := range plot {
		put("%*s│%s%s", textLabels, labels[i], string(plot[i]), names[i])
	}
	put("%*s└%s mm/s", textLabels, "", strings.Repeat("─", textPlot))
	put("%s", textTicks(r.speed))
	put("f front leading, r rear leading, * both")
	return out.String()
}

// textTicks is the line of labels below the axis.
func textTicks(fastest float64) string {
	ticks := []rune(strings.Repeat(" ", textWidth))
	free := 0
	for _, tick := range even(5).Ticks(0, fastest) {
		from := textLabels + 1 + int(float64(textPlot)*tick.Value/fastest) - len(tick.Label)/2
		if tick.Label == "" || from < free || from+len(tick.Label) > textWidth {
			continue
		}
		copy(ticks[from:], []rune(tick.Label))
		free = from + len(tick.Label) + 1
	}
	return string(ticks)
}
