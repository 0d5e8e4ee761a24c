package session_test

import (
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/wave/session"

	"github.com/google/go-cmp/cmp"
)

// answered is an access with its answer.
type answered struct {
	nmra.Access
	session.Answer
}

func yes(a nmra.Access) answered    { return answered{a, session.Acknowledged} }
func silent(a nmra.Access) answered { return answered{a, session.Silent} }

// bits are the acknowledged verifies of all bits of a value.
func bits(n nmra.CV, value uint8) (all []answered) {
	for bit := range uint8(8) {
		all = append(all, yes(verifyBit(n, bit, value>>bit&1 == 1)))
	}
	return all
}

// ranges writes registers as the notation has them.
func ranges(rs []cv.Register) string {
	text := ""
	for i, r := range cv.Ranges(rs) {
		if i > 0 {
			text += " "
		}
		text += r
	}
	return text
}

func TestWhatIsKnownOfADecoder(t *testing.T) {
	one := func(as ...answered) []answered { return as }
	for _, c := range []struct {
		rule                              string
		asked                             []answered
		registers                         map[string]uint8
		written, absent, unsure, unplaced string
	}{
		{"an acknowledged verify proves a byte", one(silent(verify(3, 6)), yes(verify(3, 7))), map[string]uint8{"3": 7}, "", "", "", ""},
		{"a silent verify proves nothing", one(silent(verify(3, 6))), nil, "", "", "3", ""},
		{"a silent verify takes back nothing that was proven",
			one(yes(verify(3, 7)), silent(verify(3, 7))), map[string]uint8{"3": 7}, "", "", "", ""},
		{"eight acknowledged bits prove a byte", bits(3, 0b10010110), map[string]uint8{"3": 0b10010110}, "", "", "", ""},
		{"seven do not", bits(3, 0b10010110)[1:], nil, "", "", "3", ""},
		{"two bytes that can't both be right prove neither", one(yes(verify(3, 7)), yes(verify(3, 8)), yes(verify(3, 8))), nil, "", "", "3", ""},
		{"nor does a bit that denies a byte", one(yes(verify(3, 7)), yes(verifyBit(3, 0, false))), nil, "", "", "3", ""},
		{"an acknowledged write settles it",
			one(yes(verify(3, 7)), yes(verify(3, 8)), yes(write(3, 9))), map[string]uint8{"3": 9}, "3", "", "", ""},
		{"an acknowledged write is kept as such", one(yes(write(3, 9))), map[string]uint8{"3": 9}, "3", "", "", ""},
		{"until it is verified", one(yes(write(3, 9)), yes(verify(3, 9))), map[string]uint8{"3": 9}, "", "", "", ""},
		{"a verify takes the place of a write that was clamped",
			one(yes(write(3, 250)), yes(verify(3, 180))), map[string]uint8{"3": 180}, "", "", "", ""},
		{"a silent verify takes back a write", one(yes(write(3, 250)), silent(verify(3, 250))), nil, "", "", "3", ""},
		{"a silent bit takes back a write", one(yes(write(3, 250)), silent(verifyBit(3, 7, true))), nil, "", "", "3", ""},
		{"a silent verify of another value takes back nothing",
			one(yes(write(3, 250)), silent(verify(3, 251))), map[string]uint8{"3": 250}, "3", "", "", ""},
		{"a write that is not acknowledged leaves it open", one(yes(verify(3, 7)), silent(write(3, 9))), nil, "", "", "3", ""},
		{"but one of what it holds", one(yes(verify(3, 7)), silent(write(3, 7))), map[string]uint8{"3": 7}, "", "", "", ""},
		{"a pulse that is none acknowledges nothing",
			one(answered{verify(3, 7), session.TooWeak}, answered{verify(4, 7), session.TooLong}), nil, "", "", "3-4", ""},
		{"an acknowledged bit onto a known byte",
			one(yes(verify(3, 7)), yes(writeBit(3, 7, true))), map[string]uint8{"3": 0x87}, "3", "", "", ""},
		{"an acknowledged bit onto nothing", one(yes(writeBit(3, 7, true))), nil, "", "", "3", ""},
		{"a bit that is not acknowledged", one(yes(verify(3, 7)), silent(writeBit(3, 7, true))), nil, "", "", "3", ""},
		{"and is asked again",
			one(yes(verify(3, 7)), silent(writeBit(3, 7, true)), yes(verifyBit(3, 7, false))), map[string]uint8{"3": 7}, "", "", "", ""},
		{"silent both ways between others that answer: absent",
			one(yes(verify(8, 13)), silent(verifyBit(9, 7, true)), silent(verifyBit(9, 7, false)), yes(verify(8, 13))), map[string]uint8{"8": 13}, "", "9", "", ""},
		{"silent both ways with none that answers behind",
			one(yes(verify(8, 13)), silent(verifyBit(9, 7, true)), silent(verifyBit(9, 7, false))), map[string]uint8{"8": 13}, "", "", "9", ""},
		{"silent both ways with none that answers before",
			one(silent(verifyBit(9, 7, true)), silent(verifyBit(9, 7, false)), yes(verify(8, 13))), map[string]uint8{"8": 13}, "", "", "9", ""},
		{"silent both ways while paged mode answers", one(yes(through(nmra.Paged, nmra.Verify, 8, 13)), silent(verifyBit(9, 7, true)),
			silent(verifyBit(9, 7, false)), yes(through(nmra.Paged, nmra.Verify, 8, 13))), map[string]uint8{"8": 13}, "", "", "9", ""},
		{"silent one way",
			one(yes(verify(8, 13)), silent(verifyBit(9, 7, true)), silent(verifyBit(9, 6, false)), yes(verify(8, 13))), map[string]uint8{"8": 13}, "", "", "9", ""},
		{"a pulse of whatever kind: not absent", one(yes(verify(8, 13)), silent(verifyBit(9, 7, true)), silent(verifyBit(9, 7, false)),
			answered{verifyBit(9, 7, false), session.TooShort}, yes(verify(8, 13))), map[string]uint8{"8": 13}, "", "", "9", ""},
		// NMRA S-9.2.3 (July 2012): writing CV 1 by any method clears bit 5 of CV 29, and CV 19.
		{"1 written: bit 5 of 29 and 19 are open",
			one(yes(verify(29, 0x26)), yes(verify(19, 5)), yes(write(1, 3))), map[string]uint8{"1": 3}, "1", "", "19 29", ""},
		{"1 written, silently", one(yes(verify(29, 0x26)), yes(verify(19, 5)), silent(write(1, 3))), nil, "", "", "1 19 29", ""},
		{"1 written where both are clear",
			one(yes(verify(29, 0x06)), yes(verify(19, 0)), yes(write(1, 3))), map[string]uint8{"1": 3, "19": 0, "29": 6}, "1", "", "", ""},
		{"1 written in register mode",
			one(yes(verify(29, 0x26)), yes(through(nmra.Registers, nmra.Write, 1, 3))), map[string]uint8{"1": 3}, "1", "", "29", ""},
		{"bit 5 asked again",
			one(yes(verify(29, 0x26)), yes(write(1, 3)), yes(verifyBit(29, 5, false))), map[string]uint8{"1": 3, "29": 6}, "1", "", "", ""},
		// NMRA S-9.2.2 (July 2012), CV 17 and 18: a pair, 17 takes effect when 18 is written.
		{"17 written without 18", one(yes(write(17, 208)), yes(verify(17, 208))), nil, "", "", "17", ""},
		{"17 written, then 18", one(yes(write(17, 208)), yes(write(18, 107))), map[string]uint8{"17": 208, "18": 107}, "17-18", "", "", ""},
		{"17 written, then 18 silently", one(yes(write(17, 208)), silent(write(18, 107))), nil, "", "", "17-18", ""},
		// NMRA S-9.2.3 (July 2012), section E: 8 written to CV 8 is the factory reset.
		{"a factory reset leaves all open",
			one(yes(verify(3, 7)), yes(verify(8, 13)), yes(through(nmra.Registers, nmra.Write, 8, 8)), yes(verify(3, 0))),
			map[string]uint8{"3": 0}, "", "", "8", ""},
		{"a factory reset that nothing acknowledges", one(yes(verify(3, 7)), silent(write(8, 8))), nil, "", "", "3", ""},
		{"and 17 is no half of a pair any more",
			one(yes(write(17, 208)), yes(write(8, 8)), yes(verify(17, 192))), map[string]uint8{"17": 192}, "", "", "", ""},
		// NMRA S-9.2.2 (July 2012), CV 31 and 32: they choose the page behind CV 257 to 512; 0 to 15 in 31 are reserved.
		{"a page that is known", one(yes(write(31, 16)), yes(verify(32, 3)), yes(verify(260, 9)), silent(verify(261, 9))),
			map[string]uint8{"31": 16, "32": 3, "260@16.3": 9}, "31", "", "261@16.3", ""},
		{"two pages", one(yes(write(31, 16)), yes(write(32, 3)), yes(verify(260, 9)), yes(write(32, 4)), yes(verify(260, 8)), yes(write(260, 7))),
			map[string]uint8{"31": 16, "32": 4, "260@16.3": 9, "260@16.4": 7}, "31-32 260@16.4", "", "", ""},
		{"a reserved page is none", one(yes(verify(31, 0)), yes(verify(260, 9))), map[string]uint8{"31": 0, "260": 9}, "", "", "", ""},
		{"no page register, no pages",
			one(yes(verify(8, 13)), silent(verifyBit(31, 0, true)), silent(verifyBit(31, 0, false)), yes(verify(260, 9)), yes(verify(260, 9))),
			map[string]uint8{"8": 13, "260": 9}, "", "31", "", "260"},
		{"a page that is not known", one(yes(verify(260, 9))), nil, "", "", "", "260"},
		{"a page that is open again", one(yes(write(31, 16)), yes(verify(32, 3)), yes(verify(260, 9)), silent(write(32, 4)), yes(verify(260, 8))),
			map[string]uint8{"31": 16, "260@16.3": 9}, "31", "", "32", "260"},
		{"a write to a page that is not known opens all",
			one(yes(write(31, 16)), yes(verify(32, 3)), yes(verify(260, 9)), silent(write(32, 4)), yes(write(260, 8))),
			map[string]uint8{"31": 16}, "31", "", "32 260@16.3", "260"},
	} {
		var l session.Listener
		p := newProgrammer(8)
		for _, a := range c.asked {
			p.answer(t, a)
		}
		p.send(packet(t, 0, 0, 0), 30)
		p.hear(&l, 4096)
		known := l.Known()
		got := map[string]uint8{}
		for r, value := range known.Registers {
			got[r.String()] = value
		}
		if c.registers == nil {
			c.registers = map[string]uint8{}
		}
		if diff := cmp.Diff(c.registers, got); diff != "" {
			t.Errorf("%s: registers (-want +got)\n%s", c.rule, diff)
		}
		for _, list := range []struct {
			name, want string
			got        []cv.Register
		}{
			{"written", c.written, known.Written}, {"absent", c.absent, known.Absent},
			{"unsure", c.unsure, known.Unsure}, {"unplaced", c.unplaced, known.Unplaced},
		} {
			if got := ranges(list.got); got != list.want {
				t.Errorf("%s: %s %q, want %q", c.rule, list.name, got, list.want)
			}
		}
	}
}

// answer plays an access with the answer.
func (p *programmer) answer(t *testing.T, a answered) {
	t.Helper()
	switch a.Answer {
	case session.Acknowledged, session.Silent:
		p.ask(t, a.Access, a.Answer == session.Acknowledged)
		return
	}
	begin := p.at
	p.ask(t, a.Access, false)
	third := begin + 60*ms // in the third of five packets behind three resets
	switch a.Answer {
	case session.TooWeak:
		p.pulse(third, 6*ms, 50)
	case session.TooShort:
		p.pulse(third, 3*ms, 80)
	case session.TooLong:
		p.pulse(third, 12*ms, 80)
	}
}

func TestFewerThanFivePacketsDenyNothing(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, verify(8, 13), true)
	for _, a := range []nmra.Access{verifyBit(9, 7, true), verifyBit(9, 7, false)} {
		sequence, err := a.Sequence()
		if err != nil {
			t.Fatal(err)
		}
		p.send(sequence[0].Packet, 3)
		p.send(sequence[1].Packet, 4)
	}
	p.ask(t, verify(8, 13), true)
	var l session.Listener
	p.hear(&l, 4096)
	if known := l.Known(); ranges(known.Unsure) != "9" || len(known.Absent) > 0 {
		t.Errorf("%+v is known, want 9 to be unsure", known)
	}
}

func TestOnePacketAsksNothing(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, verify(3, 7), true)
	p.send(packet(t, 0, 0, 0), 3)
	p.send(encode(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 3, Value: 9}), 1)
	p.send(packet(t, 0, 0, 0), 3)
	p.send(encode(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 4, Value: 9}), 1)
	p.send(packet(t, 0, 0, 0), 30)
	var l session.Listener
	p.hear(&l, 4096)
	if diff := cmp.Diff(session.Holdings{Registers: cv.Values{{CV: 3}: 7}}, l.Known()); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

// A decoder is read by a programmer that verifies each bit as 1, and then the whole byte; where that is silent, the bits as 0.
func TestAWholeReadOfADecoderGivesWhatItHolds(t *testing.T) {
	// Invented: what the decoder holds.
	holds := cv.Values{}
	for _, n := range []nmra.CV{1, 2, 3, 4, 7, 8, 17, 18, 19, 29, 31, 32, 67, 94, 1024} {
		holds[cv.Register{CV: n}] = uint8(n * 37)
	}
	holds[cv.Register{CV: 8}], holds[cv.Register{CV: 31}], holds[cv.Register{CV: 32}] = 13, 16, 3
	page := cv.Page{High: 16, Low: 3}
	for n := nmra.CV(257); n < 262; n++ {
		holds[cv.Register{CV: n, Page: page}] = uint8(n)
	}
	read := holds.Registers()
	absent := []cv.Register{{CV: 5}, {CV: 6}, {CV: 262, Page: page}}
	read = append(read, absent...)
	read = append(read, cv.Register{CV: 8}) // it is still there

	p := newProgrammer(8)
	for _, r := range read {
		value, there := holds[r]
		var seen uint8
		for bit := range uint8(8) {
			if there && value>>bit&1 == 1 {
				seen |= 1 << bit
			}
			p.ask(t, verifyBit(r.CV, bit, true), there && value>>bit&1 == 1)
		}
		p.ask(t, verify(r.CV, seen), there)
		if !there {
			for bit := range uint8(8) {
				p.ask(t, verifyBit(r.CV, bit, false), false)
			}
		}
	}
	var l session.Listener
	if got := p.hear(&l, 4096); len(got) != len(read)*9+len(absent)*8 {
		t.Errorf("%d questions, want %d", len(got), len(read)*9+len(absent)*8)
	}
	want := session.Holdings{Registers: holds, Absent: absent, Pages: []cv.Page{page}}
	if diff := cmp.Diff(want, l.Known()); diff != "" {
		t.Errorf("(-held +heard)\n%s", diff)
	}
}

func TestMorePagesThanAreKeptAreLeftOut(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, write(31, 16), true)
	for page := range uint8(66) {
		p.ask(t, write(32, page), true)
		p.ask(t, verify(300, page), true)
	}
	p.send(packet(t, 0, 0, 0), 30)
	var l session.Listener
	p.hear(&l, 4096)
	known := l.Known()
	if !known.LeftOut || len(known.Pages) != 64 || known.Registers[cv.Register{CV: 300, Page: cv.Page{High: 16, Low: 63}}] != 63 {
		t.Errorf("%d pages, left out: %v, want 64 and true", len(known.Pages), known.LeftOut)
	}
}
