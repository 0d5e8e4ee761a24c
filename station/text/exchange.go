package text

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"fettle/station"
	"fettle/station/port"
)

// talker sends commands and finds the answers to them.
type talker struct {
	profile *Profile
	line    port.Line
	lines   lines
	tag     int
	gone    bool // the line is
}

// asked is one command, and what became of it.
type asked struct {
	*command
	arguments arguments

	sent     []byte // the line, without start and end
	yes      bool
	parts    map[string]int // of the answer
	echoed   bool
	answered bool
	heard    *[]heard // shared by those that are sent together
}

// heard is one line that came back.
type heard struct {
	line []byte
	by   string // what took it: "yes of [direct.read]"
}

// ask sends commands and waits for the answer to each. Where each has a tag they are all sent at once, and answers come in any order.
// Errors wrap [station.ErrStation]: the station says so, or what it says can't be understood; [station.ErrLost]: no answer in time,
// or the port is gone.
func (t *talker) ask(commands ...*asked) error {
	together := true
	for _, c := range commands {
		together = together && c.send.has("tag")
	}
	if together {
		return t.together(commands)
	}
	for i := range commands {
		if err := t.together(commands[i : i+1]); err != nil {
			return err
		}
	}
	return nil
}

// mostTogether is how many commands are sent before any is answered: a station has little room for them.
const mostTogether = 8

func (t *talker) together(commands []*asked) error {
	for len(commands) > mostTogether {
		if err := t.together(commands[:mostTogether]); err != nil {
			return err
		}
		commands = commands[mostTogether:]
	}
	if err := t.settle(); err != nil {
		return err
	}
	var wait time.Duration
	var all []heard
	for _, c := range commands {
		c.heard = &all
		if c.send.has("tag") {
			t.tag = t.tag%maxTag + 1
			c.arguments["tag"] = []int{t.tag}
		}
		c.sent = c.send.fill(c.arguments)
		whole := append(append(bytes.Clone(t.profile.line.start), c.sent...), t.profile.line.end...)
		if _, err := t.line.Write(whole); err != nil {
			return t.lost(c, err)
		}
		c.answered = c.command.yes == nil
		wait += c.timeout
	}
	return t.answers(commands, wait)
}

// settle passes over what has come in since the last answer.
func (t *talker) settle() error {
	t.lines.drop()
	var b [256]byte
	for room := t.room(1); room > 0; {
		n, err := t.line.Read(b[:], 0)
		if err != nil {
			return t.lost(nil, err)
		}
		if n == 0 {
			return nil
		}
		room -= n
	}
	return fmt.Errorf("%v does not stop sending, though nothing was asked of it; see that no other program uses it: %w", t, station.ErrStation)
}

// room is how many bytes are read at most for so many commands.
func (t *talker) room(commands int) int {
	m := &t.profile.line
	return commands * m.most * (m.longest + len(m.answerStart) + len(m.answerEnd))
}

// answers reads lines until each command has its answer.
func (t *talker) answers(commands []*asked, wait time.Duration) error {
	deadline := t.line.Now() + wait
	room, left := t.room(len(commands)), len(commands)*t.profile.line.most
	var b [256]byte
	for {
		c := waiting(commands)
		if c == nil {
			return nil
		}
		n, err := t.line.Read(b[:], max(0, deadline-t.line.Now()))
		switch {
		case err != nil:
			return t.lost(c, err)
		case n == 0 && t.line.Now() >= deadline:
			return fmt.Errorf("%v; no answer to it in %v: see that the station is on, that its cable is in, and that [port] and [line] of the "+
				"profile are as its manual has them: %w", c, wait, station.ErrLost)
		}
		for _, one := range b[:n] {
			line, ok, err := t.lines.take(one)
			if err != nil {
				return fmt.Errorf("%v; then came %w; see [line] answer_end and longest of the profile: %w", c, err, station.ErrStation)
			}
			if !ok || waiting(commands) == nil {
				continue
			}
			if left--; left < 0 {
				return t.tooMuch(c)
			}
			if err := t.hear(commands, line); err != nil {
				return err
			}
		}
		if room -= n; room < 0 {
			return t.tooMuch(c)
		}
	}
}

func (t *talker) tooMuch(c *asked) error {
	return fmt.Errorf("%v; more than %d lines came back and no answer among them: put what the station says of itself under [answers] chatter, "+
		"and see [line] lines of the profile: %w", c, t.profile.line.most, station.ErrStation)
}

// waiting is the first command that has no answer yet.
func waiting(commands []*asked) *asked {
	for _, c := range commands {
		if !c.answered {
			return c
		}
	}
	return nil
}

// elsewhere says what took a line that is the answer to another command.
const elsewhere = "nothing, for it answers something else"

// hear takes in one line.
func (t *talker) hear(commands []*asked, line []byte) error {
	if t.profile.line.echo {
		if line = unechoed(commands, line, t.profile.line.end); len(line) == 0 {
			return nil
		}
	}
	log := commands[0].heard
	text := characters(line)
	*log = append(*log, heard{bytes.Clone(line), "nothing"})
	by := &(*log)[len(*log)-1].by
	for _, c := range commands {
		for _, answer := range [...]struct {
			*pattern
			yes bool
		}{{c.command.yes, true}, {c.no, false}} {
			if answer.pattern == nil || c.answered {
				continue
			}
			parts, ok, err := answer.match(text)
			switch {
			case err != nil:
				return fmt.Errorf("%v; %w: %w", c, err, station.ErrStation)
			case !ok:
			case !c.repeats(parts):
				*by = elsewhere
			default:
				c.answered, c.yes, c.parts = true, answer.yes, parts
				*by = "no of " + c.command.String()
				if answer.yes {
					*by = "yes of " + c.command.String()
				}
				return nil
			}
		}
	}
	if *by == elsewhere {
		return nil
	}
	c := waiting(commands)
	for _, p := range t.profile.errors {
		parts, ok, err := p.match(text)
		switch {
		case err != nil:
			return fmt.Errorf("%v; %w: %w", c, err, station.ErrStation)
		case !ok:
			continue
		}
		*by = "[answers] error"
		if tag, ok := parts["tag"]; ok && !hasTag(commands, tag) {
			return nil // of a command before these
		}
		return fmt.Errorf("%v; that is an error by [answers] error of the profile, see the station's manual: %w", c, station.ErrStation)
	}
	for _, p := range t.profile.noise {
		if _, ok, _ := p.match(text); ok {
			*by = "[answers] chatter"
			return nil
		}
	}
	return fmt.Errorf("%v; no pattern of the profile takes it: put it under yes or no of %v, or under [answers] error or chatter: %w",
		c, c.command, station.ErrStation)
}

// repeats says whether all that a line repeats of a command is of this one.
func (c *asked) repeats(parts map[string]int) bool {
	for name, n := range parts {
		if was, ok := c.arguments[name]; ok && c.send.has(name) && was[0] != n {
			return false
		}
	}
	return true
}

func hasTag(commands []*asked, tag int) bool {
	for _, c := range commands {
		if c.send.has("tag") && c.arguments["tag"][0] == tag {
			return true
		}
	}
	return false
}

// unechoed takes the echo of a command off a line. Each is echoed once. The end of the line that was sent need not be that of a line
// that comes back.
func unechoed(commands []*asked, line, end []byte) []byte {
	for _, c := range commands {
		if c.echoed {
			continue
		}
		if bytes.Equal(line, c.sent) {
			c.echoed = true
			return nil
		}
		if rest, ok := bytes.CutPrefix(line, append(bytes.Clone(c.sent), end...)); ok {
			c.echoed = true
			return bytes.TrimLeft(rest, "\r\n")
		}
	}
	return line
}

// String says what was sent and what came back, the last lines of it.
func (c *asked) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%v: sent %s", c.command, quote(c.sent))
	const most = 4
	shown := (*c.heard)[max(0, len(*c.heard)-most):]
	b.WriteString(", got ")
	switch more := len(*c.heard) - len(shown); {
	case len(shown) == 0:
		b.WriteString("nothing")
	case more == 1:
		b.WriteString("a line and then ")
	case more > 1:
		fmt.Fprintf(&b, "%d lines and then ", more)
	}
	for i, h := range shown {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(quote(h.line))
	}
	return b.String()
}

// lost is the error of a line that is gone; c may be nil.
func (t *talker) lost(c *asked, err error) error {
	t.gone = true
	what := t.String()
	if c != nil {
		what = fmt.Sprint(c)
	}
	return fmt.Errorf("%s; the port %s: %w; put the cable back and see that the station is on: what it had under power may be so still: %w",
		what, quote([]byte(t.profile.where)), err, station.ErrLost)
}

func (t *talker) String() string { return "text station: " + t.profile.title }
