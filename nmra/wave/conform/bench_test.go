package conform

import (
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

func BenchmarkMeasuredEdges(b *testing.B) {
	var halves []time.Duration
	for n := range 200 {
		p, err := nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: uint16(1 + n%50)},
			Steps: nmra.Steps128, Step: uint8(1 + n%100), Forward: true}.Encode()
		if err != nil {
			b.Fatal(err)
		}
		halves = wave.Sender{}.Append(halves, p)
	}
	var m Meter
	b.ReportAllocs()
	edges := 0
	for b.Loop() {
		for rest := halves; len(rest) > 0; {
			n, _ := m.Scan(rest)
			rest = rest[n:]
		}
		edges += len(halves)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
}
