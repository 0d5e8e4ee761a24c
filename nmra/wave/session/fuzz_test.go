package session_test

import (
	"encoding/binary"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"
)

// FuzzListener takes any findings and currents, by the first byte of each of them: whatever the signal, what is told can be asked with the
// packets of its mode, and what is kept has its bounds.
func FuzzListener(f *testing.F) {
	p := newProgrammer(8)
	p.ask(f, through(nmra.Paged, nmra.Write, 65, 3), true)
	p.ask(f, verifyBit(29, 5, true), true)
	p.ask(f, write(31, 16), true)
	var scanner wave.Scanner
	var seed []byte
	for halves := p.halves; len(halves) > 0; {
		n, found := scanner.Scan(halves)
		halves = halves[n:]
		seed = append(seed, byte(found.Packet.Len()))
		seed = found.Packet.Append(seed)
		seed = append(seed, 80)
	}
	f.Add(seed)
	f.Add([]byte{0x80, 60, 3, 0x74, 0x1C, 0x06, 0x6E, 10})
	f.Fuzz(func(t *testing.T, data []byte) {
		var l session.Listener
		var at time.Duration
		next := func() {
			for q, ok := l.Next(); ok; q, ok = l.Next() {
				if _, err := q.Access.Sequence(); err != nil || q.Packets < 1 || q.Register.CV != q.Access.CV || !q.Register.Valid() {
					t.Errorf("told %+v: %v", q, err)
				}
				if q.Answer > session.Silent && (q.Length <= 0 || q.Height <= 0) || q.Answer <= session.Silent && (q.Length != 0 || q.Height != 0) {
					t.Errorf("%v with a pulse of %v mA for %v", q.Answer, q.Height, q.Length)
				}
			}
		}
		take := func(n int) (taken []byte) {
			n = min(n, len(data))
			taken, data = data[:n], data[n:]
			return taken
		}
		for len(data) > 0 {
			switch what := take(1)[0]; {
			case what < 0x20:
				packet, err := nmra.NewPacket(take(int(what % 8))...)
				for _, after := range take(1) {
					found := wave.Finding{Kind: wave.PacketFound, Packet: packet, Start: at, Preamble: int(what)}
					found.End = at + time.Duration(after)*100*time.Microsecond
					if at = found.End; err != nil {
						found.Kind, found.Fault = wave.FaultFound, wave.CutShort
					}
					l.Packet(found)
				}
			case what < 0x80:
				next()
			case what < 0xC0:
				for _, c := range take(1) {
					l.Current(at, wave.Milliamps(int(c)-20))
					at += time.Duration(what&0x3F) * 200 * time.Microsecond
				}
			case what < 0xF0:
				at += time.Duration(what&0x3F) * 10 * time.Millisecond
			case what < 0xF8:
				if jump := take(8); len(jump) == 8 { // forward or back by anything
					at += time.Duration(binary.BigEndian.Uint64(jump))
				}
			default:
				l.End()
			}
		}
		l.End()
		next()
		if _, ok := l.Next(); ok {
			t.Error("something is left behind the end")
		}
		known := l.Known()
		if n := len(known.Registers) + len(known.Absent) + len(known.Unsure); n > 1024+64*256 || len(known.Pages) > 64 || len(known.Unplaced) > 256 {
			t.Errorf("%d registers and %d pages are kept", n, len(known.Pages))
		}
	})
}
