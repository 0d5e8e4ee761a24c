package session_test

import (
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"
)

// mainTraffic is what a main track has, with packets to addresses of the same bytes as service mode.
func mainTraffic(t testing.TB) []nmra.Packet {
	speed := nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: 116}, Steps: 28, Step: 5, Forward: true}
	return []nmra.Packet{packet(t, 0xFF, 0, 0xFF), encode(t, speed), packet(t, 0x37, 0x74, 0x43)}
}

// packetsOf has a Listener hear so many of the packets, 8 ms apart, and says when the last ended.
func packetsOf(l *session.Listener, packets []nmra.Packet, n int, at time.Duration) time.Duration {
	for i := range n {
		start := at
		at += 8 * time.Millisecond
		l.Packet(wave.Finding{Kind: wave.PacketFound, Packet: packets[i%len(packets)], Start: start, End: at, Preamble: 14})
	}
	return at
}

func TestMainTrafficAllocatesNothing(t *testing.T) {
	var l session.Listener
	var at time.Duration
	packets := mainTraffic(t)
	if n := testing.AllocsPerRun(100, func() {
		at = packetsOf(&l, packets, 100, at)
		if q, ok := l.Next(); ok {
			t.Errorf("heard %+v", q)
		}
	}); n != 0 {
		t.Errorf("%v allocations in 100 packets", n)
	}
}

func BenchmarkMainTraffic(b *testing.B) {
	var l session.Listener
	packets := mainTraffic(b)
	b.ReportAllocs()
	packetsOf(&l, packets, b.N, 0)
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "packets/s")
}

// BenchmarkQuestion is a verify of five packets behind a reset, with its acknowledgement.
func BenchmarkQuestion(b *testing.B) {
	var l session.Listener
	var at time.Duration
	reset := []nmra.Packet{packet(b, 0, 0, 0)}
	ask := []nmra.Packet{encode(b, nmra.Instruction{Kind: nmra.DirectVerify, CV: 29, Value: 6})}
	l.Current(0, 8)
	told := 0
	b.ReportAllocs()
	for b.Loop() {
		at = packetsOf(&l, reset, 3, at)
		at = packetsOf(&l, ask, 5, at)
		l.Current(at-20*time.Millisecond, 88)
		l.Current(at-14*time.Millisecond, 8)
		if q, ok := l.Next(); ok && q.Answer == session.Acknowledged {
			told++
		}
	}
	if b.N > 1 && told < b.N-1 {
		b.Errorf("%d of %d questions told with their answer", told, b.N)
	}
}

// BenchmarkCurrent is a current channel with a sample each 10 µs.
func BenchmarkCurrent(b *testing.B) {
	var l session.Listener
	var at time.Duration
	b.ReportAllocs()
	for b.Loop() {
		l.Current(at, wave.Milliamps(8+at%3))
		at += 10 * time.Microsecond
	}
}
