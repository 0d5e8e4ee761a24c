package main

import (
	"bytes"
	"encoding/binary"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
)

var update = flag.Bool("update", false, "write the captures in testdata anew")

// quayFullScale is how many volts the full scale of the capture is.
const quayFullScale = 25

// quaySection is a capture in the night-mail engine 30 as it runs into the section before a signal, and through it: a WAV file. Invented: 15
// V of track, from 0.20 s to 0.50 s with 2.1 V more in the positive half-wave than in the negative, but for 30 ms at a joint where the
// wiring misses a diode; noise of 0.1 V.
func quaySection(t *testing.T) []byte {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	speed, err := nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: 30}, Steps: nmra.Steps28, Step: 14, Forward: true}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	signal := wave.Signal{Parts: []wave.Part{{Packet: speed}, {Packet: idle, Times: 2}}, Repeat: 36}
	var file bytes.Buffer
	if err := capture.WriteWAV(&file, capture.MinRate, signal.Halves()); err != nil {
		t.Fatal(err)
	}
	const header, level = 44, 19_660 // of a WAV file, and of the voltage in it
	dice := rand.New(rand.NewPCG(30, 2))
	samples := file.Bytes()[header:]
	for i := 0; i+1 < len(samples); i += 2 {
		at := time.Duration(i/2) * time.Second / capture.MinRate
		in := at >= 200*time.Millisecond && at < 500*time.Millisecond && (at < 340*time.Millisecond || at >= 370*time.Millisecond)
		v := float64(int16(binary.LittleEndian.Uint16(samples[i:]))) / level * 15
		if v < 0 && in {
			v *= (15 - 2.1) / 15
		}
		v += 0.1 * dice.NormFloat64()
		binary.LittleEndian.PutUint16(samples[i:], uint16(int16(v/quayFullScale*32768)))
	}
	return file.Bytes()
}

func TestTheCaptureOfTheQuaySectionIsWhatItIsSaidToBe(t *testing.T) {
	want, path := quaySection(t), filepath.Join("..", "..", "testdata", "captures", "quay-section-2.wav")
	if *update {
		if err := os.WriteFile(path, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not what quaySection gives: go test ./cmd/fettle -run QuaySection -update writes it", path)
	}
}
