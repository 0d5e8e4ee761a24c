package bench

import (
	"context"
	"testing"

	"fettle/nmra"
)

func BenchmarkAccess(b *testing.B) {
	spec, err := BuiltIn("tram-3")
	if err != nil {
		b.Fatal(err)
	}
	t := New(spec.New(1))
	if _, err := t.PowerOn(context.Background()); err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		access nmra.Access
	}{
		{"answered yes", nmra.Access{CV: 8, Value: 13}},
		{"answered no", nmra.Access{CV: 8, Value: 14}},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := t.Service(context.Background(), c.access); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
