//go:build linux

package loadertest

import "golang.org/x/sys/unix"

// Bytes of STK500, version 1, as the chip's maker has published it in an application note. From memory.
const (
	getSync       = 0x30
	getParameter  = 0x41
	setDevice     = 0x42
	setDeviceMore = 0x45
	enterProgram  = 0x50
	leaveProgram  = 0x51
	loadAddress   = 0x55
	universal     = 0x56
	programPage   = 0x64
	readPage      = 0x74
	readSignature = 0x75
	endOfCommand  = 0x20
	inSync        = 0x14
	ok            = 0x10
)

// arguments are how many bytes follow a command, before its end.
var arguments = map[byte]int{
	getSync: 0, getParameter: 1, setDevice: 20, setDeviceMore: 5, enterProgram: 0, leaveProgram: 0, loadAddress: 2, universal: 4,
	programPage: 3, readPage: 3, readSignature: 0,
}

// load is the loader. It ends with errQuiet where the program is to start.
func (b *Board) load() error {
	address := 0 // in bytes
	for {
		command, err := b.next(loaderTime)
		if err != nil {
			return err
		}
		if !b.hears() {
			continue
		}
		want, known := arguments[command]
		if !known {
			continue
		}
		args, err := b.take(want)
		if err != nil {
			return err
		}
		var data []byte
		if command == programPage {
			if data, err = b.take(int(args[0])<<8 | int(args[1])); err != nil {
				return err
			}
		}
		if end, err := b.take(1); err != nil {
			return err
		} else if end[0] != endOfCommand {
			continue // out of step: the other side asks again
		}
		answer := []byte{inSync}
		switch command {
		case getParameter:
			answer = append(answer, 4)
		case universal:
			answer = append(answer, 0)
		case loadAddress:
			address = 2 * (int(args[0]) | int(args[1])<<8)
		case programPage:
			if b.pages++; b.pages == b.fake.Vanishes {
				return b.line.Close()
			}
			if b.pages != b.fake.LosesPage {
				b.mu.Lock()
				copy(b.flash[min(address, len(b.flash)):], data)
				b.mu.Unlock()
			}
		case readPage:
			from := min(address, len(b.flash))
			answer = append(answer, b.Flash()[from:min(from+int(args[0])<<8+int(args[1]), len(b.flash))]...)
		case readSignature:
			answer = append(answer, b.fake.Signature[:]...)
		}
		if _, err := b.line.Write(append(answer, ok)); err != nil {
			return err
		}
		if command == leaveProgram {
			return errQuiet
		}
	}
}

// take takes so many bytes.
func (b *Board) take(n int) ([]byte, error) {
	var taken []byte
	for len(taken) < n {
		c, err := b.next(loaderTime)
		if err != nil {
			return nil, err
		}
		taken = append(taken, c)
	}
	return taken, nil
}

// hears says whether the port is set to the loader's speed.
func (b *Board) hears() (hears bool) {
	conn, err := b.line.SyscallConn()
	if err != nil {
		return false
	}
	err = conn.Control(func(fd uintptr) {
		settings, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		hears = err == nil && settings.Cflag&unix.CBAUD == b.fake.Baud
	})
	return hears && err == nil
}
