package text

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv/regtoml"
	"fettle/station/port"
)

// Profile is what a profile file says of a station. The zero Profile is of no use: read one with [ParseProfile].
type Profile struct {
	title  string
	where  string // the name of the serial port
	port   port.Settings
	line   manner
	errors []*pattern // the station says that something went wrong
	noise  []*pattern // lines that say nothing to us

	modes       map[nmra.Mode]service
	programming track
	main        track
	drive       *command
	function    *command
	packet      *command
}

// manner is how lines go to and fro.
type manner struct {
	start, end             []byte
	answerStart, answerEnd []byte
	longest                int // bytes of a line that comes back
	most                   int // lines that are read for one command
	echo                   bool
}

// service is what the station can do in one service mode; what it can't is nil.
type service struct {
	read, verifyByte, verifyBit, writeByte, writeBit *command
}

// track is how the power of a track is switched, where the station has commands for it.
type track struct{ on, off *command }

// command is one template with the answers to it.
type command struct {
	name    string // "direct.read"
	send    template
	yes, no *pattern // nil: none is waited for
	timeout time.Duration
}

// rule says what a command may and must have.
type rule struct {
	must, may []string // placeholders of send
	part      string   // that yes must have
	given     []string // further parts that yes may have
	yes, no   bool     // must be there
	noNo      bool     // no answer means no
}

var (
	readRule       = rule{must: []string{"cv"}, part: "value", yes: true, no: true}
	verifyByteRule = rule{must: []string{"cv", "value"}, yes: true, no: true}
	verifyBitRule  = rule{must: []string{"cv", "bit", "bit_value"}, yes: true, no: true}
	writeByteRule  = rule{must: []string{"cv", "value"}, yes: true}
	writeBitRule   = rule{must: []string{"cv", "bit", "bit_value"}, yes: true}
	onRule         = rule{given: []string{"milliamps"}, noNo: true}
	offRule        = rule{noNo: true}
	driveRule      = rule{must: []string{"address", "step", "direction"}, may: []string{"long", "steps"}, noNo: true}
	functionRule   = rule{must: []string{"address", "function", "state"}, may: []string{"long"}, noNo: true}
	packetRule     = rule{must: []string{"packet"}, may: []string{"times"}, noNo: true}
)

// orElse are placeholders that may stand in for one that must be there.
var orElse = map[string]string{"cv": "cv_address", "packet": "packet_data"}

// modeNames are the tables of the service modes.
var modeNames = map[string]nmra.Mode{"direct": nmra.Direct, "paged": nmra.Paged, "register": nmra.Registers, "address": nmra.AddressOnly}

// Bounds of a profile's numbers.
const (
	defaultLongest, mostLongest = 200, 4096
	defaultLines, mostLines     = 20, 1000
	defaultTimeout, mostTimeout = 5000, 10 * 60 * 1000 // ms
	mostPatterns                = 50
)

// ParseProfile reads a profile, as the package comment describes it. file is its name in errors, which are *[regtoml.Errors].
func ParseProfile(file string, data []byte) (Profile, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Profile{}, err
	}
	root := doc.Root()
	root.Require("title", "port", "line")
	p := Profile{modes: map[nmra.Mode]service{}}
	if title, ok := root.String("title"); ok && title == "" {
		root.Errorf("title", "found an empty title, want what the station is")
	} else {
		p.title = title
	}
	if t, ok := root.Table("port"); ok {
		p.where, p.port = serialPort(t)
	}
	if t, ok := root.Table("line"); ok {
		p.line = line(t)
	}
	if t, ok := root.Table("answers"); ok {
		p.errors, p.noise = patterns(t, "error", "tag"), patterns(t, "chatter")
	}
	for _, name := range slices.Sorted(maps.Keys(modeNames)) {
		if t, ok := root.Table(name); ok {
			p.modes[modeNames[name]] = p.service(t, name)
		}
	}
	if t, ok := root.Table("power"); ok {
		p.programming = p.track(t, "programming")
		p.main = p.track(t, "main")
	}
	p.drive = p.command(root, "", "drive", driveRule)
	p.function = p.command(root, "", "function", functionRule)
	p.packet = p.command(root, "", "packet", packetRule)
	if err := doc.Err(); err != nil {
		return Profile{}, err
	}
	if !p.programs() && !p.runs() {
		return Profile{}, regtoml.Refuse(file, "found nothing that the station can do, want at least one of [direct.read], [direct.verify_byte], [packet] and so on")
	}
	return p, nil
}

// programs says whether the station has a programming track.
func (p *Profile) programs() bool { return len(p.modes) > 0 }

// reads says whether the station reads whole registers by itself, in some mode.
func (p *Profile) reads() bool {
	for _, s := range p.modes {
		if s.read != nil {
			return true
		}
	}
	return false
}

// runs says whether it can be told to send something to the main.
func (p *Profile) runs() bool { return p.drive != nil || p.function != nil || p.packet != nil }

func serialPort(t *regtoml.Table) (name string, p port.Settings) {
	t.Require("name", "baud")
	p = port.Settings{DataBits: 8, StopBits: 1}
	name, ok := t.String("name")
	if ok && name == "" {
		t.Errorf("name", "found an empty name, want that of a serial port")
	}
	whole(t, "baud", 50, 4_000_000, &p.Baud)
	whole(t, "data_bits", 5, 8, &p.DataBits)
	whole(t, "stop_bits", 1, 2, &p.StopBits)
	if parity, ok := t.String("parity"); ok {
		at := slices.Index(parityNames[:], parity)
		if at < 0 {
			t.Errorf("parity", "found %q, want one of %s", parity, strings.Join(parityNames[:], ", "))
		}
		p.Parity = port.Parity(max(at, 0))
	}
	return name, p
}

var parityNames = [...]string{port.None: "none", port.Odd: "odd", port.Even: "even"}

func line(t *regtoml.Table) manner {
	t.Require("end")
	m := manner{longest: defaultLongest, most: defaultLines}
	m.start, m.end = fixed(t, "start"), fixed(t, "end")
	m.answerStart, m.answerEnd = fixed(t, "answer_start"), m.end
	if end := fixed(t, "answer_end"); len(end) > 0 {
		m.answerEnd = end
	}
	for _, key := range []string{"end", "answer_end"} {
		if s, ok := t.String(key); ok && s == "" {
			t.Errorf(key, "found nothing, want the bytes that end a line, as {0x0D}")
		}
	}
	whole(t, "longest", 1, mostLongest, &m.longest)
	whole(t, "lines", 1, mostLines, &m.most)
	m.echo, _ = t.Bool("echo")
	return m
}

// fixed gets text without placeholders.
func fixed(t *regtoml.Table, key string) []byte {
	s, ok := t.String(key)
	if !ok {
		return nil
	}
	parsed, err := parseTemplate(s, nil)
	if err != nil {
		t.Errorf(key, "%v", err)
	}
	return parsed.fill(nil)
}

func patterns(t *regtoml.Table, key string, allowed ...string) []*pattern {
	texts, _ := t.Strings(key)
	if len(texts) > mostPatterns {
		t.Errorf(key, "found %d patterns, want at most %d", len(texts), mostPatterns)
		return nil
	}
	var all []*pattern
	for _, s := range texts {
		p, err := parsePattern(s, allowed)
		if err != nil {
			t.Errorf(key, "in '%s': %v", s, err)
			continue
		}
		all = append(all, p)
	}
	return all
}

func (p *Profile) service(t *regtoml.Table, mode string) service {
	s := service{
		read:       p.command(t, mode, "read", readRule),
		verifyByte: p.command(t, mode, "verify_byte", verifyByteRule),
		writeByte:  p.command(t, mode, "write_byte", writeByteRule),
	}
	if mode == "direct" { // no other mode has bits (S-9.2.3, section E)
		s.verifyBit = p.command(t, mode, "verify_bit", verifyBitRule)
		s.writeBit = p.command(t, mode, "write_bit", writeBitRule)
	}
	has := func(key string) bool { _, ok := t.Table(key); return ok }
	switch {
	case has("read"):
	case mode == "direct" && !(has("verify_byte") && has("verify_bit")):
		t.Errorf("", "found neither read nor both of verify_byte and verify_bit, want one or the other: nothing can be read without")
	case !has("verify_byte"):
		t.Errorf("", "found neither read nor verify_byte, want one of them: nothing can be read without")
	}
	return s
}

func (p *Profile) track(t *regtoml.Table, name string) track {
	on, off := name+"_on", name+"_off"
	made := track{p.command(t, "power", on, onRule), p.command(t, "power", off, offRule)}
	if _, ok := t.Table(off); !ok {
		if _, ok := t.Table(on); ok {
			t.Errorf(on, "found %s without %s, want both: what is turned on has to be turned off", on, off)
		}
	} else if _, ok := t.Table(on); !ok {
		t.Errorf(off, "found %s without %s, want both", off, on)
	}
	return made
}

// command gets one command; nil where there is none.
func (p *Profile) command(parent *regtoml.Table, path, key string, r rule) *command {
	t, ok := parent.Table(key)
	if !ok {
		return nil
	}
	c := &command{name: strings.TrimPrefix(path+"."+key, "."), timeout: defaultTimeout * time.Millisecond}
	t.Require("send")
	allowed := []string{"tag"}
	for _, name := range append(slices.Clone(r.must), r.may...) {
		allowed = append(allowed, name)
		if other, ok := orElse[name]; ok {
			allowed = append(allowed, other)
		}
	}
	slices.Sort(allowed)
	if s, ok := t.String("send"); ok {
		send, err := parseTemplate(s, allowed)
		switch {
		case err != nil:
			t.Errorf("send", "%v", err)
		case len(send) == 0:
			t.Errorf("send", "found nothing, want the line to be sent")
		case send.holds(p.line.end):
			t.Errorf("send", "found the end of a line in it, want one line: [line] end is added to each")
		}
		c.send = send
		for _, name := range r.must {
			if other := orElse[name]; err == nil && !send.has(name) && (other == "" || !send.has(other)) {
				t.Errorf("send", "found no {%s}, want it in the line", name)
			}
		}
	}
	// Whatever a station repeats of a command shows that the answer is to that command.
	var repeated []string
	for _, name := range c.send.names() {
		if placeholders[name] != octets {
			repeated = append(repeated, name)
		}
	}
	of := append(slices.Clone(repeated), r.given...)
	if r.part != "" {
		of = append(of, r.part)
	}
	c.yes = c.answer(t, "yes", r.yes, of)
	if c.yes != nil && r.part != "" && !c.yes.has(r.part) {
		t.Errorf("yes", "found no part %s, want it, as (?P<%s>[0-9]+), or (?P<%s_hex>[0-9A-F]+)", r.part, r.part, r.part)
	}
	if !r.noNo {
		c.no = c.answer(t, "no", r.no, repeated)
	}
	ms := defaultTimeout
	whole(t, "timeout_ms", 1, mostTimeout, &ms)
	c.timeout = time.Duration(ms) * time.Millisecond
	return c
}

// answer gets the pattern of an answer.
func (c *command) answer(t *regtoml.Table, key string, required bool, allowed []string) *pattern {
	if required {
		t.Require(key)
	}
	s, ok := t.String(key)
	if !ok {
		return nil
	}
	p, err := parsePattern(s, allowed)
	if err != nil {
		t.Errorf(key, "%v", err)
		return nil
	}
	if c.send.has("tag") && !p.has("tag") {
		t.Errorf(key, "found no part tag, want the tag that send has, as (?P<tag>[0-9]+)")
	}
	return p
}

func whole(t *regtoml.Table, key string, least, most int64, to *int) {
	if n, ok := t.Int(key, least, most); ok {
		*to = int(n)
	}
}

// String is the command as a file names it: "[direct.read]".
func (c *command) String() string { return fmt.Sprintf("[%s]", c.name) }
