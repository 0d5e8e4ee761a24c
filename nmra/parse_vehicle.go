package nmra

// readVehicle reads an instruction to a multifunction decoder, which begins at b[at].
func (i *Instruction) readVehicle(t Track, b []byte, at int) *ParseError {
	op := b[at]
	var length int
	i.Kind, length = vehicleKind(op, len(b)-at)
	if i.Kind == 0 {
		return reserved(b, at, "an instruction of S-9.2.1")
	}
	if err := exactly(b, at+length); err != nil {
		return err
	}
	switch i.Kind {
	case ExtendedAddressing, AcknowledgeRequest:
		i.On = op&1 != 0
	case SetConsist:
		i.Forward = op&1 == 0
		if b[at+1] > 127 {
			return reserved(b, at+1, "0 in bit 7")
		}
		i.Consist = b[at+1]
	case Speed:
		i.readSpeed(t, b[at:])
	case RestrictedSpeed:
		return i.readRestricted(b, at+1)
	case AnalogueFunction:
		i.Output, i.Value = b[at+1], b[at+2]
	case Functions:
		i.readFunctions(b[at:])
	case BinaryStateShort:
		i.On, i.State = b[at+1]&0x80 != 0, uint16(b[at+1]&0x7F)
	case BinaryStateLong:
		i.On, i.State = b[at+1]&0x80 != 0, uint16(b[at+1]&0x7F)|uint16(b[at+2])<<7
	case MainVerify, MainWrite, MainVerifyBit:
		return i.readAccess(b, at)
	case MainWriteShort:
		i.CV, i.Value = CV(op&0x0F)+21, b[at+1]
	case AddressQuery:
		if i.Address.Kind != Short || i.Address.Number > 111 {
			return reserved(b, at, "an instruction of S-9.2.1: only short addresses 1 to 111 can be queried")
		}
	}
	return nil
}

// vehicleKind says what an instruction byte stands for and how many bytes the instruction has, of which so many are there.
// What the bytes after it decide is left open: Speed can turn out to be a stop, MainVerifyBit to be a write. Kind is 0 where
// the byte is reserved.
func vehicleKind(op byte, there int) (kind Kind, length int) {
	switch op >> 5 {
	case 0:
		switch op {
		case 0x00:
			return DecoderReset, 1
		case 0x01:
			return HardReset, 1
		case 0x0A, 0x0B:
			return ExtendedAddressing, 1
		case 0x0E, 0x0F:
			return AcknowledgeRequest, 1
		case 0x12, 0x13:
			return SetConsist, 2
		}
	case 1:
		switch op {
		case opSpeed128:
			return Speed, 2
		case opRestricted:
			return RestrictedSpeed, 2
		case opAnalogue:
			return AnalogueFunction, 3
		}
	case 2, 3:
		return Speed, 1
	case 4, 5:
		return Functions, 1
	case 6:
		switch op {
		case opBinaryLong:
			return BinaryStateLong, 3
		case opBinaryShort:
			return BinaryStateShort, 2
		case opF13toF20, opF21toF28:
			return Functions, 2
		}
	default:
		switch {
		case op == 0xF2 || op == 0xF3:
			return MainWriteShort, 2
		case op == opAddressQuery && there == 1:
			return AddressQuery, 1
		case op < 0xF0:
			return accessKind(op, MainVerify), 3
		}
	}
	return 0, 0
}

// accessKind counts on from verify by the bits CC of a long access; 0 where they are reserved.
func accessKind(op byte, verify Kind) Kind {
	switch op >> 2 & 3 {
	case accessVerify:
		return verify
	case accessWrite:
		return verify + 1
	case accessBit:
		return verify + 2
	}
	return 0
}

// readSpeed reads stop, emergency stop or a speed step.
func (i *Instruction) readSpeed(t Track, b []byte) {
	var code byte // 0 stop, 1 emergency stop, then the steps
	switch {
	case b[0] == opSpeed128:
		i.Steps, i.Forward, code = Steps128, b[1]&0x80 != 0, b[1]&0x7F
	case t == MainTrack14 && (i.Address.Kind != Broadcast || b[0]&0x0F > 1):
		i.Steps, i.Forward, i.Light, code = Steps14, b[0]&0x20 != 0, b[0]&0x10 != 0, b[0]&0x0F
	default:
		i.Steps, i.Forward = Steps28, b[0]&0x20 != 0
		n := number28(b[0] & 0x1F)
		if code = n >> 1; code <= 1 {
			i.IgnoreDirection = n&1 != 0
		} else {
			code = n - 2
		}
	}
	switch code {
	case 0:
		i.Kind = Stop
	case 1:
		i.Kind = EmergencyStop
	default:
		i.Step = code - 1
	}
}

// readRestricted reads the data byte of a speed restriction. Its layout is from memory: bit 7 switches it on, bits 4-0 are
// the step as 28 steps are coded; the rest is reserved.
func (i *Instruction) readRestricted(b []byte, at int) *ParseError {
	data := b[at]
	if data == 0 {
		return nil
	}
	n := number28(data & 0x1F)
	if data&0xE0 != 0x80 || n < 4 {
		return reserved(b, at, "00, or 80 and the code of a step")
	}
	i.On, i.Step = true, n-3
	return nil
}

func (i *Instruction) readFunctions(b []byte) {
	op := b[0]
	switch {
	case op == opF13toF20:
		i.Group, i.States = F13toF20, b[1]
	case op == opF21toF28:
		i.Group, i.States = F21toF28, b[1]
	case op >= 0xB0:
		i.Group, i.States = F5toF8, op&0x0F
	case op >= 0xA0:
		i.Group, i.States = F9toF12, op&0x0F
	default:
		i.Group, i.States = F0toF4, op&0x0F<<1|op>>4&1
	}
}
