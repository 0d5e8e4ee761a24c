package main

import (
	"strings"
	"testing"
)

func TestAPortIsToldAFactALine(t *testing.T) {
	version := uint16(7)
	for _, c := range []struct {
		port portDocument
		want string
	}{
		{portDocument{Port: "/dev/ttyS0"}, "/dev/ttyS0: not on USB, as far as is known\n\nNone was asked"},
		{portDocument{Port: "COM3", USB: "F0E1:0021", Device: "Quay board", Serial: "PE-21", Asked: true, Firmware: &version},
			"COM3: Quay board, USB F0E1:0021, serial number PE-21\n  the open board, with firmware 7\n"},
		{portDocument{Port: "/dev/ttyUSB0", USB: "F0E1:0022", Stable: "/dev/serial/by-id/quay", Asked: true, Error: "permission denied\nto join it:  x"},
			"/dev/ttyUSB0: USB F0E1:0022\n  stable name:  /dev/serial/by-id/quay\n  permission denied\n  to join it:  x\n"},
	} {
		if got := (portsDocument{[]*portDocument{&c.port}}).String(); !strings.HasPrefix(got, c.want) {
			t.Errorf("%s\nwant\n%s", got, c.want)
		}
	}
	if got := (portsDocument{}).String(); !strings.Contains(got, "no serial port") {
		t.Error(got)
	}
}
