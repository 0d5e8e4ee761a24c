package session

import (
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// NMRA S-9.2.3 (July 2012), sections D and E.
const (
	leaves    = 20 * time.Millisecond // without a reset or service-mode packet, after which a decoder leaves service mode
	packets   = 5                     // of a question, at the least
	recovers  = 6                     // resets, or more of the same, behind a write
	leadIn    = 3                     // resets before a question
	afterPage = 6                     // resets, and then those before a question
)

// Our own choice: by when an answer has begun, counted from the last packet of the question, and how long there are no packets where
// the power was off. A write is given more than twice as long as the longest recovery of S-9.2.3 takes, ten resets of 8 ms.
const (
	verifyAnswers = leaves
	writeAnswers  = 200 * time.Millisecond
	powerOff      = 100 * time.Millisecond
)

// Listener hears a track. The zero Listener is ready. Until [Listener.Next] takes them, it keeps the questions that were told to it; what it
// keeps of the decoder is bounded, to registers 1 to 1024 and 64 pages.
type Listener struct {
	now  time.Duration // up to when anything was told
	seen time.Duration // the last valid packet

	last    nmra.Packet   // the last valid packet
	run     int           // how many like it came in a row
	resets  int           // how many of them came since the last packet of another kind
	heard   time.Duration // the last reset or service-mode packet
	service bool          // in service mode
	before  nmra.Kind     // of the instruction before, in this stay in service mode
	page    page

	asked []asked // not told yet, in order; all but the last are closed
	meter meter
	ended bool
	acked bool // the question that was told last
	known memory
}

// page is the page register, since the power came on.
type page struct {
	value   uint8
	set     bool // by two packets
	others  bool // another page than 1 has been chosen
	fresh   bool // no question has come since
	packets int  // how many set it
	resets  int  // came before them
}

// asked is a question that is not told yet.
type asked struct {
	Question
	lead   int           // resets before it
	need   int           // how many there have to be
	onward bool          // a verify straight behind another, in direct mode
	from   time.Duration // when an answer may begin: with the end bit of the second packet
	until  time.Duration // and by when it has begun
	closed bool          // until is known, and no more of it will come
	resets int           // behind it
	left   bool          // nothing else came in this stay in service mode
}

var reset, _ = nmra.Reset().Encode()

// Packet takes the next finding of a wave.Scanner, in the order of time. On the way of packets that are no service mode it allocates nothing.
func (l *Listener) Packet(f wave.Finding) {
	if f.Kind == wave.NothingFound {
		return
	}
	l.now = max(l.now, f.End)
	if f.Kind != wave.PacketFound {
		return
	}
	if f.Start-l.seen > powerOff {
		l.leave(l.heard + leaves)
		l.page = page{}
	}
	l.seen = f.End
	late := f.End-l.heard >= leaves
	if late {
		l.leave(l.heard + leaves)
		l.resets = 0
	}
	service := (l.service || l.last == reset && !late) && forService(f.Packet)
	if f.Packet != l.last {
		l.last, l.run = f.Packet, 0
	}
	l.run++
	switch {
	case service:
		l.service, l.heard = true, f.End
		l.serve(f)
		l.resets = 0
	case f.Packet == reset:
		l.heard = f.End
		l.resets++
		if q := l.open(); q != nil {
			q.resets++
		}
	default:
		l.leave(f.Start)
		l.resets = 0
	}
}

// forService says whether a packet is one for service mode: 0111 at the front, and of the length of one.
func forService(p nmra.Packet) bool {
	return p.Len() >= 3 && p.Len() <= 4 && p.Byte(0)>>4 == 0b0111
}

// ServiceMode says whether the packet that was told last is one of service mode, and not one on a main track that has the same bytes.
func (l *Listener) ServiceMode() bool { return l.service && forService(l.last) }

// leave ends the stay in service mode.
func (l *Listener) leave(at time.Duration) {
	if q := l.open(); q != nil {
		q.left = true
		q.close(at)
	}
	l.service, l.before = false, 0
}

// open is the question that is not closed, if there is one.
func (l *Listener) open() *asked {
	if n := len(l.asked); n > 0 && !l.asked[n-1].closed {
		return &l.asked[n-1]
	}
	return nil
}

// close ends the time for the answer, as something else begins then, or earlier.
func (q *asked) close(at time.Duration) { q.closed, q.until = true, min(at, q.latest()) }

// latest is by when an answer has begun, whatever comes.
func (q *asked) latest() time.Duration {
	if q.Access.Writes() {
		return q.End + writeAnswers
	}
	return q.End + verifyAnswers
}

// serve takes a service-mode packet.
func (l *Listener) serve(f wave.Finding) {
	q := l.open()
	if q != nil && l.run > 1 {
		q.again(f)
		return
	}
	if q != nil {
		q.close(f.Start)
	}
	i, err := f.Packet.Instruction(nmra.ServiceTrack)
	ofPage := (i.Kind == nmra.RegisterVerify || i.Kind == nmra.RegisterWrite) && i.Register == nmra.PageRegister
	switch {
	case ofPage && i.Kind == nmra.RegisterWrite:
		l.setPage(i.Value)
	case err == nil && !ofPage && l.run == 1:
		l.ask(f, i)
	}
	l.before = i.Kind
}

// setPage takes a packet that sets the page register. A decoder does so with the second; after one alone it may hold either page.
func (l *Listener) setPage(value uint8) {
	if l.run == 1 {
		l.page.set, l.page.resets = false, l.resets
	} else {
		l.page.set, l.page.value = true, value
		l.page.others = l.page.others || value != 1
	}
	l.page.packets, l.page.fresh = l.run, true
}

// ask takes the first packet of a question.
func (l *Listener) ask(f wave.Finding, i nmra.Instruction) {
	q := asked{Question: Question{At: f.Start}, lead: l.resets, need: leadIn}
	q.Access.Value = i.Value
	switch i.Kind {
	case nmra.RegisterVerify, nmra.RegisterWrite:
		l.askRegister(&q, i)
	default:
		l.askDirect(&q, i)
	}
	q.again(f)
	l.page.fresh = false
	l.asked = append(l.asked, q)
}

func (l *Listener) askDirect(q *asked, i nmra.Instruction) {
	a := &q.Access
	a.Mode, a.CV, a.Bit, a.BitValue = nmra.Direct, i.CV, i.Bit, i.BitValue
	switch i.Kind {
	case nmra.DirectWrite:
		a.Operation = nmra.Write
	case nmra.DirectVerifyBit:
		a.Operation = nmra.VerifyBit
	case nmra.DirectWriteBit:
		a.Operation = nmra.WriteBit
	}
	// S-9.2.3, section E: as many verifies as wanted behind each other.
	q.onward = !a.Writes() && (l.before == nmra.DirectVerify || l.before == nmra.DirectVerifyBit)
	switch {
	case !q.onward || l.resets >= leadIn:
	case l.resets > 0:
		a.Lead = nmra.AfterReset
	default:
		a.Lead = nmra.Onward
	}
}

// askRegister finds the CV behind a physical register.
func (l *Listener) askRegister(q *asked, i nmra.Instruction) {
	a := &q.Access
	a.Mode = nmra.Registers
	if i.Kind == nmra.RegisterWrite {
		a.Operation = nmra.Write
	}
	if l.page.fresh {
		q.need += afterPage
		if l.page.resets < leadIn {
			q.Departures |= FewResets
		}
		if l.page.packets < packets {
			q.Departures |= FewPackets
		}
	}
	switch i.Register {
	case nmra.ConfigurationRegister:
		a.CV = 29
	case nmra.VersionRegister:
		a.CV = 7
	case nmra.MakerRegister:
		a.CV = 8
	default:
		a.CV = nmra.CV(i.Register) + 1
		if !l.page.set {
			q.Departures |= NoPage
			return
		}
		if l.page.others {
			a.Mode = nmra.Paged
		}
		a.CV += 4 * nmra.CV(l.page.value-1) // page 0 is page 256: the register has eight bits (from memory)
	}
}

// again takes one of the packets of the question.
func (q *asked) again(f wave.Finding) {
	q.End = f.End
	q.Packets++
	if q.Packets == 2 {
		q.from = f.End - nmra.BitTime(true)
	}
	if f.Preamble < nmra.LongPreamble {
		q.Departures |= ShortPreamble
	}
}
