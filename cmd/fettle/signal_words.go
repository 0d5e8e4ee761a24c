package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
	"fettle/nmra/wave/session"
)

// signalWords says what is heard in a signal to a person, a line each: the same packet again and again is one line.
type signalWords struct {
	w     *bufio.Writer
	last  heardPacket
	times int // that the last packet came, which has no line yet
}

func newSignalWords(w io.Writer) *signalWords { return &signalWords{w: bufio.NewWriterSize(w, 64<<10)} }

func (s *signalWords) packet(p heardPacket) error {
	if s.times > 0 && p.Packet == s.last.Packet && p.service == s.last.service {
		s.times++
		return nil
	}
	if err := s.tellLast(); err != nil {
		return err
	}
	s.last, s.times = p, 1
	return nil
}

// tellLast gives the last packet its line.
func (s *signalWords) tellLast() error {
	if s.times == 0 {
		return nil
	}
	p, times := s.last, s.times
	s.times = 0
	sentence := p.instruction.String()
	if p.err != nil {
		sentence = "means nothing: " + p.err.Error()
	}
	if p.alone {
		sentence += "; but no reset led into that"
	}
	if times > 1 {
		sentence += fmt.Sprintf(" (%d times)", times)
	}
	return s.line(p.Start, p.Packet.String(), sentence)
}

// line is one line of what is heard: when, the bytes, and what it is.
func (s *signalWords) line(at time.Duration, bytes, words string) error {
	const before = "                                  " // as wide as time and bytes
	text := fmt.Sprintf("%12s  %-17s  %s\n", milliseconds(at), bytes, words)
	if len(text) > screenWidth {
		text = wrapped(text, screenWidth, before)
	}
	_, err := s.w.WriteString(text)
	return err
}

// milliseconds is a time as a signal has them: in ms, to the microsecond.
func milliseconds(d time.Duration) string {
	d = d.Round(time.Microsecond)
	if d < 0 {
		return "-" + milliseconds(-d)
	}
	return fmt.Sprintf("%d.%03d ms", d/time.Millisecond, d%time.Millisecond/time.Microsecond)
}

func (s *signalWords) fault(f wave.Finding) error {
	if err := s.tellLast(); err != nil {
		return err
	}
	if f.Half > conform.LongestHalf {
		return s.line(f.Start, "", "no signal until "+milliseconds(f.End))
	}
	words := "fault: " + f.Fault.String()
	switch first := f.End - f.Start - f.Half; {
	case f.Half > 0 && first > 0:
		words += fmt.Sprintf(", %.2f and %.2f µs", us(first), us(f.Half))
	case f.Half > 0:
		words += fmt.Sprintf(", %.2f µs", us(f.Half))
	}
	bytes := ""
	if f.Packet.Len() > 0 {
		bytes = f.Packet.String()
	}
	return s.line(f.Start, bytes, words)
}

func (s *signalWords) question(q session.Question, levels bool) error {
	if s.times > 0 && s.last.Start <= q.At {
		if err := s.tellLast(); err != nil {
			return err
		}
	}
	words := q.Access.String() + " " + answerOf(q, levels)
	if q.Register.Page.High > 0 {
		words += fmt.Sprintf("; register %v", q.Register)
	}
	for _, w := range q.Departures.Words() {
		words += "; " + w
	}
	return s.line(q.At, "", words)
}

func answerOf(q session.Question, levels bool) string {
	switch {
	case q.Length == 0:
		return q.Answer.String()
	case levels:
		return fmt.Sprintf("%v, for %.1f ms", q.Answer, ms(q.Length))
	}
	return fmt.Sprintf("%v, %.0f mA for %.1f ms", q.Answer, float64(q.Height), float64(q.Length)/float64(time.Millisecond))
}

func (s *signalWords) flush() error { return s.w.Flush() }

func (s *signalWords) end(h hearing) error {
	if err := s.tellLast(); err != nil {
		return err
	}
	for _, part := range []string{h.whatItIs(), h.traffic(), h.held(), h.volts(), h.decoder(), h.verdict()} {
		if part != "" {
			s.w.WriteString("\n" + wrapped(part, screenWidth, "  ")) // Flush tells of errors
		}
	}
	return s.w.Flush()
}

// coarse is a step from which on a good signal may be told as a bad one (S-9.1: a decoder accepts 6 µs to either side).
const coarse = 6 * time.Microsecond

// whatItIs says what was read.
func (h hearing) whatItIs() string {
	t := h.result.Traffic
	var how string
	switch {
	case h.info.Sampled:
		how = fmt.Sprintf("a sample each %v", h.info.Step)
	case h.info.Step > 0:
		how = fmt.Sprintf("in steps of %v", h.info.Step)
	default:
		how = "a line for each crossing"
	}
	text := fmt.Sprintf("%s: %v, %s, channel %s. %s of signal, %d half-bits.\n", h.name, h.info.Form, how, h.info.Signal, milliseconds(t.Length), t.Halves)
	if h.missing > 0 {
		text += fmt.Sprintf("The end of it is missing: its header says that there are %d bytes more.\n", h.missing)
	}
	if doubt := h.info.Doubt(); doubt >= coarse {
		text += fmt.Sprintf("It has time in steps of %v only. A half of a one may be off by 6 µs at the most: faults, and gaps between packets, may be "+
			"those of the capture. Want %v or finer.\n", doubt, coarse/2)
	}
	for _, silence := range t.Silences {
		text += fmt.Sprintf("No signal from %s to %s.\n", milliseconds(silence.From), milliseconds(silence.To))
	}
	if more := t.Silent - int64(len(t.Silences)); more > 0 {
		text += fmt.Sprintf("No signal %d times more, %s in all.\n", more, milliseconds(t.SilentFor))
	}
	return text
}

// traffic says what was said to whom, and what was wrong.
func (h hearing) traffic() string {
	t := h.result.Traffic
	text := fmt.Sprintf("%s, %.1f a second, %.0f %% of them idle.", count(int(t.Packets), "packet"), t.PerSecond(), 100*t.IdleShare())
	if t.ServiceMode > 0 {
		text += fmt.Sprintf(" %d in service mode.", t.ServiceMode)
	}
	if t.Unreadable > 0 {
		text += fmt.Sprintf(" %d mean nothing.", t.Unreadable)
	}
	text += "\n"
	rows := newTable(column{"packets", true}, column{"to", false})
	for _, a := range t.Addresses {
		rows.AppendRow(table.Row{a.Packets, a.Address})
	}
	if rows.Length() > 0 {
		text += "\n" + rows.Render() + "\n"
	}
	rows = newTable(column{"packets", true}, column{"kind", false})
	for _, k := range t.Kinds {
		rows.AppendRow(table.Row{k.Packets, k.Kind})
	}
	if rows.Length() > 0 {
		text += "\n" + rows.Render() + "\n"
	}
	rows = newTable(column{"times", true}, column{"fault", false})
	for _, f := range t.Faults {
		rows.AppendRow(table.Row{f.Count, f.Fault})
	}
	if rows.Length() > 0 {
		text += "\n" + rows.Render() + "\n"
	}
	return text
}

// held says what was measured by each rule.
func (h hearing) held() string {
	const nameWidth = 26
	rows := newTable(column{"rule", false}, column{"limits", true}, column{"seen", true}, column{"least", true}, column{"median", true},
		column{"most", true}, column{"outside", true}, column{"", false})
	section := ""
	var notes strings.Builder
	rules := slices.SortedStableFunc(slices.Values(h.rules()), func(a, b conform.Rule) int { return strings.Compare(a.Section, b.Section) })
	for _, r := range rules {
		if r.Section != section {
			section = r.Section
			rows.AppendRow(table.Row{section})
		}
		number := func(x float64) string { return inUnit(x, r.Unit) }
		if r.Seen == 0 || r.Unit == conform.Count {
			number = func(float64) string { return "" }
		}
		rows.AppendRow(table.Row{wrapped("  "+r.Name, nameWidth, "    "), limitsOf(r), r.Seen, number(r.Least), number(r.Median), number(r.Most), r.Outside, r.Verdict})
		switch {
		case r.Outside > 0:
			fmt.Fprintf(&notes, "%s: %d outside, the first at %s.\n", r.Name, r.Outside, milliseconds(r.First))
		case r.Unsure > 0:
			fmt.Fprintf(&notes, "%s: %d outside by less than the capture can tell, the first at %s.\n", r.Name, r.Unsure, milliseconds(r.First))
		}
	}
	text := rows.Render() + "\n"
	if notes.Len() > 0 {
		text += "\n" + notes.String()
	}
	return text
}

func limitsOf(r conform.Rule) string {
	unit := " " + string(r.Unit)
	switch {
	case r.Limits.Least > 0 && r.Limits.Most > 0:
		return fmt.Sprintf("%g to %g%s", r.Limits.Least, r.Limits.Most, unit)
	case r.Limits.Least > 0:
		return fmt.Sprintf("at least %g%s", r.Limits.Least, unit)
	case r.Limits.Most > 0:
		return fmt.Sprintf("at most %g%s", r.Limits.Most, unit)
	}
	return ""
}

// inUnit is a measured value with as many digits as its unit needs.
func inUnit(x float64, unit conform.Unit) string {
	switch unit {
	case conform.Microseconds, conform.Milliseconds, conform.Volts:
		return fmt.Sprintf("%.2f", x)
	}
	return fmt.Sprintf("%.0f", x)
}

// volts says where the half-waves differ.
func (h hearing) volts() string {
	if h.voltage.OneSided {
		return "The voltage does not go through 0, so it is not that between the rails: its height says nothing.\n"
	}
	if len(h.voltage.Stretches) == 0 {
		return ""
	}
	rows := newTable(column{"from", true}, column{"to", true}, column{"positive", true}, column{"negative", true}, column{"difference", true}, column{"", false})
	for _, s := range h.voltage.Stretches {
		row := table.Row{milliseconds(s.From), milliseconds(s.To), "", "", "", s.Lean}
		if s.Lean != conform.NoSignal {
			row[2], row[3], row[4] = fmt.Sprintf("%.2f V", float64(s.Positive)), fmt.Sprintf("%.2f V", float64(s.Negative)), fmt.Sprintf("%+.2f V", float64(s.Difference))
		}
		rows.AppendRow(row)
	}
	text := rows.Render() + "\n"
	if h.voltage.More > 0 {
		text += fmt.Sprintf("and %d stretches more\n", h.voltage.More)
	}
	section, ok := h.voltage.Section()
	if !ok {
		return text + "\nThe half-waves are alike: no section with asymmetry.\n"
	}
	text += fmt.Sprintf("\nA section with asymmetry from %s to %s: %v by %.2f V, ", milliseconds(section.From), milliseconds(section.To), section.Lean, math.Abs(float64(section.Difference)))
	if len(section.Interrupted) == 0 {
		return text + "everywhere along it.\n"
	}
	return text + fmt.Sprintf("but not from %s to %s%s.\n", milliseconds(section.Interrupted[0].From), milliseconds(section.Interrupted[0].To),
		andMore(len(section.Interrupted)-1))
}

func andMore(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", and in %s more", count(n, "place"))
}

// decoder says what was heard of a decoder on a programming track.
func (h hearing) decoder() string {
	if h.questions == 0 {
		return ""
	}
	text := fmt.Sprintf("Service mode: %s, ", count(h.questions, "question"))
	if h.info.Current == "" {
		return text + "and no channel of current to hear the answers in.\n"
	}
	text += fmt.Sprintf("%d acknowledged. %s proven, %d absent, %d not proven.\n", h.answers, count(len(h.known.Registers)-len(h.known.Written), "register"),
		len(h.known.Absent), len(h.known.Unsure)+len(h.known.Unplaced)+len(h.known.Written))
	if n := len(h.known.Written); n > 0 {
		text += fmt.Sprintf("%s not asked for since the write was acknowledged: a decoder may have kept another value.\n", registersWere(n))
	}
	if h.surveyed != "" {
		return text + "Survey: " + h.surveyed + "\n"
	}
	return text + "--survey FILE writes that.\n"
}

func registersWere(n int) string {
	if n == 1 {
		return "1 register was"
	}
	return fmt.Sprintf("%d registers were", n)
}

// verdict is what it comes to.
func (h hearing) verdict() string {
	if h.result.Traffic.Packets == 0 {
		return "No packet was found.\n"
	}
	broken := h.broken()
	if len(broken) == 0 {
		if len(h.result.Traffic.Faults) > 0 {
			return "No rule that was measured is broken, but there are faults.\n"
		}
		return "No rule that was measured is broken.\n"
	}
	names := make([]string, len(broken))
	for i, r := range broken {
		names[i] = r.Name + " (" + r.Section + ")"
	}
	return "Broken: " + strings.Join(names, "; ") + ".\n"
}
