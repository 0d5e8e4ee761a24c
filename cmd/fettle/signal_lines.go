package main

import (
	"bufio"
	"encoding/json"
	"io"
	"slices"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
	"fettle/nmra/wave/session"
)

// signalLines says what is heard in a signal to a program: a JSON document a line.
type signalLines struct {
	w *bufio.Writer
	e *json.Encoder
}

func newSignalLines(w io.Writer) signalLines {
	b := bufio.NewWriterSize(w, 64<<10)
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	return signalLines{b, e}
}

// us is a time in microseconds, ms in milliseconds.
func us(d time.Duration) float64 { return float64(d) / float64(time.Microsecond) }
func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

type packetLine struct {
	Kind         string  `json:"kind"` // packet
	AtUS         float64 `json:"at_us"`
	EndUS        float64 `json:"end_us"`
	Bytes        string  `json:"bytes"`
	PreambleBits int     `json:"preamble_bits"`
	Track        string  `json:"track"`
	Instruction  string  `json:"instruction,omitempty"` // none where it means nothing
	Sentence     string  `json:"sentence"`
	NoReset      bool    `json:"no_reset,omitempty"` // it means something in service mode only, and no reset led into that
}

func (s signalLines) packet(p heardPacket) error {
	line := packetLine{
		Kind: "packet", AtUS: us(p.Start), EndUS: us(p.End), Bytes: p.Packet.String(), PreambleBits: p.Preamble, Track: onMain,
		Sentence: p.instruction.String(),
	}
	if p.service {
		line.Track = onService
	}
	if line.Instruction = p.instruction.Kind.String(); p.err != nil {
		line.Instruction, line.Sentence = "", "means nothing: "+p.err.Error()
	}
	line.NoReset = p.alone
	return s.e.Encode(line)
}

type faultLine struct {
	Kind   string  `json:"kind"` // fault, or silence
	AtUS   float64 `json:"at_us"`
	EndUS  float64 `json:"end_us"`
	Fault  string  `json:"fault,omitempty"`
	HalfUS float64 `json:"half_us,omitempty"`
	Bytes  string  `json:"bytes,omitempty"`
}

func (s signalLines) fault(f wave.Finding) error {
	line := faultLine{Kind: "fault", AtUS: us(f.Start), EndUS: us(f.End), Fault: f.Fault.String(), HalfUS: us(f.Half)}
	if f.Packet.Len() > 0 {
		line.Bytes = f.Packet.String()
	}
	if f.Half > conform.LongestHalf {
		line.Kind, line.Fault, line.HalfUS = "silence", "", 0
	}
	return s.e.Encode(line)
}

type questionLine struct {
	Kind       string      `json:"kind"` // question
	AtUS       float64     `json:"at_us"`
	EndUS      float64     `json:"end_us"`
	Register   cv.Register `json:"register"`
	Mode       string      `json:"mode"`
	Writes     bool        `json:"writes"`
	Bit        *uint8      `json:"bit"`   // null where it is about the whole value
	Value      uint8       `json:"value"` // of the bit 0 or 1
	Sentence   string      `json:"sentence"`
	Packets    int         `json:"packets"`
	Answer     string      `json:"answer"`
	PulseMA    *float64    `json:"pulse_ma"` // null where the channel has levels
	PulseMS    float64     `json:"pulse_ms"`
	Departures []string    `json:"departures"`
}

func (s signalLines) question(q session.Question, levels bool) error {
	a := q.Access
	line := questionLine{
		Kind: "question", AtUS: us(q.At), EndUS: us(q.End), Register: q.Register, Mode: a.Mode.String(), Writes: a.Writes(), Value: a.Value,
		Sentence: a.String(), Packets: q.Packets, Answer: q.Answer.String(), PulseMA: known(q.Height, !levels), PulseMS: ms(q.Length),
		Departures: list(q.Departures.Words()),
	}
	if a.Operation == nmra.VerifyBit || a.Operation == nmra.WriteBit {
		if line.Bit, line.Value = &a.Bit, 0; a.BitValue {
			line.Value = 1
		}
	}
	return s.e.Encode(line)
}

func (s signalLines) flush() error { return s.w.Flush() }

type summaryLine struct {
	Kind           string        `json:"kind"` // summary
	File           string        `json:"file"`
	Form           string        `json:"form"`
	Channel        string        `json:"channel"`
	CurrentChannel string        `json:"current_channel,omitempty"`
	StepUS         float64       `json:"step_us"` // 0: as finely as the halves have it
	LengthMS       float64       `json:"length_ms"`
	MissingBytes   int64         `json:"missing_bytes,omitempty"` // that the header of the file promises
	Halves         int64         `json:"halves"`
	Packets        int64         `json:"packets"`
	PacketsASecond float64       `json:"packets_a_second"`
	Idle           int64         `json:"idle"`
	ServiceMode    int64         `json:"service_mode"`
	Unreadable     int64         `json:"unreadable"`
	Kinds          []countLine   `json:"kinds"`
	Addresses      []countLine   `json:"addresses"`
	Faults         []countLine   `json:"faults"`
	Silences       []spanLine    `json:"silences"` // the first of them
	Silent         int64         `json:"silent"`   // how many there are
	Rules          []ruleLine    `json:"rules"`
	Scale          string        `json:"scale,omitempty"`     // that the voltages were held to
	OneSided       bool          `json:"one_sided,omitempty"` // the voltage is not that between the rails
	Stretches      []stretchLine `json:"stretches,omitempty"` // the first of them
	StretchesMore  int64         `json:"stretches_more,omitempty"`
	Section        *sectionLine  `json:"section"` // with asymmetry; null where there is none
	Questions      int           `json:"questions"`
	Acknowledged   int           `json:"acknowledged"`
	Registers      []provenLine  `json:"registers"` // what was proven of the decoder
	Written        []cv.Register `json:"written"`   // acknowledged, and not asked for since: not proven
	Absent         []cv.Register `json:"absent"`
	Unsure         []cv.Register `json:"unsure"`
	Broken         []string      `json:"broken"` // rules
}

type provenLine struct {
	Register cv.Register `json:"register"`
	Value    uint8       `json:"value"`
}

type countLine struct {
	Name  string `json:"name"`
	Count int64  `json:"count"`
}

type spanLine struct {
	FromMS float64 `json:"from_ms"`
	ToMS   float64 `json:"to_ms"`
}

type ruleLine struct {
	Section      string   `json:"section"`
	Rule         string   `json:"rule"`
	Unit         string   `json:"unit"`
	LeastAllowed *float64 `json:"least_allowed"` // null: no limit
	MostAllowed  *float64 `json:"most_allowed"`
	Seen         int64    `json:"seen"`
	Least        float64  `json:"least"`
	Median       float64  `json:"median"`
	Most         float64  `json:"most"`
	Outside      int64    `json:"outside"`
	Unsure       int64    `json:"unsure"` // outside by less than the capture can tell
	FirstUS      *float64 `json:"first_us"`
	Verdict      string   `json:"verdict"`
}

type stretchLine struct {
	spanLine
	Lean        string  `json:"lean"`
	PositiveV   float64 `json:"positive_v"`
	NegativeV   float64 `json:"negative_v"`
	DifferenceV float64 `json:"difference_v"`
}

type sectionLine struct {
	stretchLine
	Interrupted []spanLine `json:"interrupted"`
}

func (s signalLines) end(h hearing) error {
	t := h.result.Traffic
	d := summaryLine{
		Kind: "summary", File: h.name, Form: h.info.Form.String(), Channel: h.info.Signal, CurrentChannel: h.info.Current, StepUS: us(h.info.Step),
		LengthMS: ms(t.Length), MissingBytes: h.missing, Halves: t.Halves, Packets: t.Packets, PacketsASecond: t.PerSecond(), Idle: t.Idle, ServiceMode: t.ServiceMode,
		Unreadable: t.Unreadable, Kinds: []countLine{}, Addresses: []countLine{}, Faults: []countLine{}, Silences: []spanLine{}, Silent: t.Silent,
		Rules: []ruleLine{}, StretchesMore: h.voltage.More, Questions: h.questions, Acknowledged: h.answers, Registers: []provenLine{},
		Written: list(h.known.Written), Absent: list(h.known.Absent), Unsure: list(slices.Concat(h.known.Unsure, h.known.Unplaced)), Broken: []string{},
	}
	proven := h.survey(time.Time{}).Registers
	for _, r := range proven.Registers() {
		d.Registers = append(d.Registers, provenLine{r, proven[r]})
	}
	for _, k := range t.Kinds {
		d.Kinds = append(d.Kinds, countLine{k.Kind.String(), k.Packets})
	}
	for _, a := range t.Addresses {
		d.Addresses = append(d.Addresses, countLine{a.Address.String(), a.Packets})
	}
	for _, f := range t.Faults {
		d.Faults = append(d.Faults, countLine{f.Fault.String(), f.Count})
	}
	for _, silence := range t.Silences {
		d.Silences = append(d.Silences, spanLine{ms(silence.From), ms(silence.To)})
	}
	for _, r := range h.rules() {
		d.Rules = append(d.Rules, describeRule(r))
	}
	for _, r := range h.broken() {
		d.Broken = append(d.Broken, r.Name)
	}
	if h.info.Volts {
		d.Scale, d.OneSided = h.scale.String(), h.voltage.OneSided
	}
	for _, stretch := range h.voltage.Stretches {
		d.Stretches = append(d.Stretches, describeStretch(stretch))
	}
	if section, ok := h.voltage.Section(); ok {
		d.Section = &sectionLine{describeStretch(section.Stretch), []spanLine{}}
		for _, i := range section.Interrupted {
			d.Section.Interrupted = append(d.Section.Interrupted, spanLine{ms(i.From), ms(i.To)})
		}
	}
	if err := s.e.Encode(d); err != nil {
		return err
	}
	return s.w.Flush()
}

// list is a list that is never null.
func list[T any](all []T) []T { return append([]T{}, all...) }

func describeRule(r conform.Rule) ruleLine {
	line := ruleLine{
		Section: r.Section, Rule: r.Name, Unit: string(r.Unit), Seen: r.Seen, Least: r.Least, Median: r.Median, Most: r.Most,
		Outside: r.Outside, Unsure: r.Unsure, Verdict: r.Verdict.String(), LeastAllowed: limitLine(r.Limits.Least), MostAllowed: limitLine(r.Limits.Most),
	}
	if r.Outside > 0 || r.Unsure > 0 {
		first := us(r.First)
		line.FirstUS = &first
	}
	return line
}

// limitLine is a limit, or nothing where there is none.
func limitLine(x float64) *float64 {
	if x == 0 {
		return nil
	}
	return &x
}

func describeStretch(s conform.Stretch) stretchLine {
	return stretchLine{spanLine{ms(s.From), ms(s.To)}, s.Lean.String(), float64(s.Positive), float64(s.Negative), float64(s.Difference)}
}
