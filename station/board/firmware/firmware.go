// Package firmware is the program of the open board: C for an ATmega328P at 16 MHz, and the image that is made of it.
//
// To read the C, begin with portable/requests.h, and with portable/hardware.h for what is where. What is in portable/ knows no chip; avr/ is
// the chip, and host/ makes an ordinary program of what is portable, for tests. What the board and its host say to each other is in package
// [fettle/station/board/link].
//
// `make image` in this folder builds the image with Debian's gcc-avr and avr-libc, and puts it here; `make check` proves that it is what the
// sources give.
package firmware

import _ "embed"

// Image is the firmware for the board's flash, in the Intel hexadecimal format.
//
//go:embed board.hex
var Image []byte

// Version is that of the firmware in [Image], as it says it in its answer to hello.
const Version uint16 = 1
