package main

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog"
	"fettle/prog/regset"
)

// newIdentify makes the verb identify.
func newIdentify() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "identify [flags]",
		Short: "Say what is on the programming track.",
		Long: `Maker's number, version, the modes in which the decoder answers, the address that it answers to and what decides
it. Nothing is written.

Makers' numbers are assigned by the NMRA. Their names come from a file of yours, in TOML:

  [makers]
  13 = "home-built"`,
		Example:               "  fettle identify\n  fettle identify --station bench:engine-30 --json",
		DisableFlagsInUseLine: true,
		Args:                  noArguments,
	},
		"identified",
		"maker or version could not be proven",
		"stopped with Ctrl-C")
	track := addTrack(cmd)
	makers := cmd.Flags().String("makers", "", "a `FILE` of makers' names")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		names, err := readMakers(*makers)
		if err != nil {
			return err
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error { return v.identify(ctx, names) })
	}
	return cmd
}

// noArguments refuses any argument.
func noArguments(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return misuse(cmd, "found %q, want flags only. See %s --help", args[0], cmd.CommandPath())
	}
	return nil
}

// readMakers reads a file of names by maker's number.
func readMakers(path string) (map[uint8]string, error) {
	names := map[uint8]string{}
	if path == "" {
		return names, nil
	}
	data, err := regset.ReadFile(path)
	if err != nil {
		return nil, err
	}
	doc, err := regtoml.Parse(path, data)
	if err != nil {
		return nil, err
	}
	doc.Root().Require("makers")
	if table, ok := doc.Root().Table("makers"); ok {
		for _, key := range table.Keys() {
			var number uint8
			if err := between(&number, 1, math.MaxUint8).Set(key.Name); err != nil {
				table.KeyErrorf(key, "found %q, want a maker's number from 1 to 255", key.Name)
			}
			names[number], _ = table.String(key.Name)
		}
	}
	return names, doc.Err()
}

// identify says what the decoder is.
func (v *visit) identify(ctx context.Context, names map[uint8]string) error {
	id, err := prog.Identify(ctx, v.Session)
	if err != nil {
		return err
	}
	return v.answer(factLines(append(id.Facts(names), v.Facts()...)), v.identity(id, names))
}

// identityDocument is what --json says of a decoder.
type identityDocument struct {
	stationDocument
	Maker           uint8            `json:"maker"`
	MakerName       string           `json:"maker_name,omitempty"`
	Version         uint8            `json:"version"`
	ResetIncomplete bool             `json:"reset_incomplete"`
	Modes           []string         `json:"modes"`
	Address         *addressDocument `json:"address"` // null where it is not known
	AddressReasons  []string         `json:"address_reasons"`
	Consist         uint8            `json:"consist"` // 0: none, or not known
	ConsistReversed bool             `json:"consist_reversed"`
	Registers       []valueDocument  `json:"registers"`
	RestMA          float64          `json:"rest_ma"`
	PulseMA         float64          `json:"pulse_ma"`
	PulseMS         float64          `json:"pulse_ms"`
	Lost            float64          `json:"lost_chance"`  // part of the acknowledgements that go missing
	False           float64          `json:"false_chance"` // part of the questions after which one comes from nowhere
	Pace            string           `json:"pace"`
	Slower          bool             `json:"slower"` // than the standard allows
	costDocument
}

type addressDocument struct {
	Number uint16 `json:"number"`
	Long   bool   `json:"long"`
}

type valueDocument struct {
	Register cv.Register `json:"register"`
	Value    uint8       `json:"value"`
}

func (v *visit) identity(id prog.Identity, names map[uint8]string) identityDocument {
	u := id.InUse()
	d := identityDocument{
		stationDocument: v.station, costDocument: v.cost(),
		Maker: id.Maker, MakerName: names[id.Maker], Version: id.Version, ResetIncomplete: id.Maker == cv.MakerResetting,
		AddressReasons: u.Reasons, Consist: u.Consist, ConsistReversed: u.ConsistReversed,
		RestMA: tenth(float64(id.Rest)), PulseMA: tenth(float64(id.Height)), PulseMS: tenth(id.Pulse.Seconds() * 1000),
	}
	lost, spurious := v.Noise()
	d.Lost, d.False = math.Round(lost*1000)/1000, math.Round(spurious*1000)/1000
	d.Pace, d.Slower = v.Pace()
	for _, m := range id.Modes {
		d.Modes = append(d.Modes, m.String())
	}
	if u.Known {
		d.Address = &addressDocument{u.Address.Number, u.Address.Kind == nmra.Long}
	}
	for _, r := range id.Registers.Registers() {
		d.Registers = append(d.Registers, valueDocument{r, id.Registers[r]})
	}
	return d
}

func tenth(x float64) float64 { return math.Round(x*10) / 10 }

// factLines are facts for people, a line each.
func factLines(facts []prog.Fact) string {
	var b strings.Builder
	for _, f := range facts {
		fmt.Fprintf(&b, "%-9s  %s\n", f.Label, f.Words)
	}
	return b.String()
}
