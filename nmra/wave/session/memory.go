package session

import (
	"maps"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// mostPages is how many index pages are kept: our own choice.
const mostPages = 64

// The registers whose writes change more than themselves (S-9.2.2 and S-9.2.3, July 2012).
const (
	primaryAddress nmra.CV = 1
	makersNumber   nmra.CV = 8
	addressHigh    nmra.CV = 17
	addressLow     nmra.CV = 18
	consistAddress nmra.CV = 19
	configuration  nmra.CV = 29
	indexHigh      nmra.CV = 31
	indexLow       nmra.CV = 32
)

const extendedAddress = 1 << 5 // bit of configuration

// memory is what is known of a decoder. The zero memory knows nothing.
type memory struct {
	registers map[cv.Register]holding
	pages     map[cv.Page]bool
	unplaced  map[nmra.CV]bool
	leftOut   bool
	answered  int  // acknowledgements in direct mode
	halfPair  bool // 17 was written, and 18 has not been since
}

// holding is what is known of one register.
type holding struct {
	value   uint8
	known   uint8    // the bits of value that are
	written uint8    // those of them that rest on a write
	denied  bool     // two verifies without a write between them can't both be right
	there   bool     // it drew a pulse of whatever kind
	silent  [2]uint8 // bits that were asked for as 0 and as 1, once the decoder had answered, and nothing came
	by      int      // memory.answered when that was asked last
}

func (h holding) proven() bool { return h.known == 0xFF && !h.denied }

// absent says whether it is not there, in a decoder that has answered so often.
func (h holding) absent(answered int) bool {
	return !h.there && h.silent[0]&h.silent[1] != 0 && answered > h.by
}

// verified takes an acknowledged verify of these bits.
func (h *holding) verified(mask, value uint8) {
	if sure := h.known &^ h.written & mask; (h.value^value)&sure != 0 {
		h.denied = true
	}
	h.set(mask, value)
	h.written &^= mask
}

// set takes the bits as known.
func (h *holding) set(mask, value uint8) {
	h.value = h.value&^mask | value&mask
	h.known |= mask
}

// forget takes the bits as not known.
func (h *holding) forget(mask uint8) {
	h.known &^= mask
	h.written &^= mask
}

// place finds the register behind a CV, on the page that 31 and 32 choose. ok is false where that is not known.
func (m *memory) place(n nmra.CV) (r cv.Register, ok bool) {
	r.CV = n
	if !r.Indexed() {
		return r, true
	}
	high, low := m.registers[cv.Register{CV: indexHigh}], m.registers[cv.Register{CV: indexLow}]
	switch {
	case high.absent(m.answered) || high.proven() && high.value < cv.FirstPage:
		return r, true
	case high.proven() && low.proven():
		r.Page = cv.Page{High: high.value, Low: low.value}
		return r, true
	}
	return r, false
}

// learn takes a question with its answer.
func (m *memory) learn(q Question) {
	if q.Packets < 2 || q.Departures&NoPage != 0 && !q.Access.Writes() {
		return // nothing was to come of it; or it says nothing of any register that is known
	}
	if m.registers == nil {
		m.registers, m.pages, m.unplaced = map[cv.Register]holding{}, map[cv.Page]bool{}, map[nmra.CV]bool{}
	}
	acknowledged := q.Answer == Acknowledged
	if acknowledged && q.Access.Mode == nmra.Direct {
		m.answered++
	}
	if q.Access.Writes() && q.Access.CV == makersNumber && q.Access.Operation == nmra.Write && q.Access.Value == nmra.FactoryReset().Value {
		m.reset()
		return
	}
	if q.Departures&Unplaced != 0 {
		m.unplaced[q.Register.CV] = true
		if q.Access.Writes() {
			for r := range m.registers {
				if r.CV == q.Register.CV {
					m.change(r, func(h *holding) { h.forget(0xFF) })
				}
			}
		}
		return
	}
	if page := q.Register.Page; page != (cv.Page{}) && !m.pages[page] {
		if len(m.pages) >= mostPages {
			m.leftOut = true
			return
		}
		m.pages[page] = true
	}
	h := m.registers[q.Register]
	h.there = h.there || q.Answer > Silent
	mask, value := uint8(0xFF), q.Access.Value
	if q.Access.Operation == nmra.VerifyBit || q.Access.Operation == nmra.WriteBit {
		mask, value = 1<<q.Access.Bit, 0
		if q.Access.BitValue {
			value = mask
		}
	}
	switch {
	case q.Access.Writes():
		h.rewritten(mask, value, acknowledged && q.Departures&NoPage == 0)
	case acknowledged:
		h.verified(mask, value)
	case q.Answer == Silent && q.Packets >= packets:
		h.missed(mask, value)
		if q.Access.Operation == nmra.VerifyBit && m.answered > 0 {
			h.silent[value>>q.Access.Bit] |= mask
			h.by = m.answered
		}
	}
	m.registers[q.Register] = h
	if q.Access.Writes() {
		m.follow(q.Register.CV, acknowledged)
	}
}

// missed takes a verify of these bits that was not acknowledged. That an acknowledgement was lost is likelier than that one came from
// nowhere; but what rests on a write alone, the decoder may not have taken.
func (h *holding) missed(mask, value uint8) {
	if h.written&mask != 0 && h.known&mask == mask && (h.value^value)&mask == 0 {
		h.forget(mask)
	}
}

// rewritten takes a write of these bits.
func (h *holding) rewritten(mask, value uint8, acknowledged bool) {
	if !acknowledged && h.known&mask == mask && (h.value^value)&mask == 0 {
		return // it holds what it held, done or not
	}
	h.forget(mask)
	h.denied = h.denied && mask != 0xFF
	if acknowledged {
		h.set(mask, value)
		h.written |= mask
	}
}

// follow takes what a write changes beside its own register.
func (m *memory) follow(n nmra.CV, acknowledged bool) {
	switch n {
	case primaryAddress:
		// S-9.2.3: the extended and the consist address are then no longer in use; nobody has asked whether it is so.
		m.change(cv.Register{CV: configuration}, func(h *holding) { h.rewritten(extendedAddress, 0, false) })
		m.change(cv.Register{CV: consistAddress}, func(h *holding) { h.rewritten(0xFF, 0, false) })
	case addressHigh:
		m.halfPair = true
	case addressLow:
		m.halfPair = m.halfPair && !acknowledged
	}
}

// change changes a register that was heard of.
func (m *memory) change(r cv.Register, by func(*holding)) {
	if h, ok := m.registers[r]; ok {
		by(&h)
		m.registers[r] = h
	}
}

// reset takes a factory reset, done or not.
func (m *memory) reset() {
	for r := range m.registers {
		m.registers[r] = holding{}
	}
	m.halfPair = false
}

// holdings is what is known, in order.
func (m *memory) holdings() Holdings {
	known := Holdings{Registers: cv.Values{}, Pages: slices.SortedFunc(maps.Keys(m.pages), cv.Page.Compare), LeftOut: m.leftOut}
	for _, r := range slices.SortedFunc(maps.Keys(m.registers), cv.Register.Compare) {
		switch h := m.registers[r]; {
		case h.absent(m.answered):
			known.Absent = append(known.Absent, r)
		case !h.proven(), r.CV == addressHigh && m.halfPair:
			known.Unsure = append(known.Unsure, r)
		default:
			known.Registers[r] = h.value
			if h.written != 0 {
				known.Written = append(known.Written, r)
			}
		}
	}
	for _, n := range slices.Sorted(maps.Keys(m.unplaced)) {
		known.Unplaced = append(known.Unplaced, cv.Register{CV: n})
	}
	return known
}
