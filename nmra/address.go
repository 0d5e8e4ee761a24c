package nmra

import "fmt"

// CV is the number of a configuration variable, 1 to 1024. In a packet it travels less one (S-9.2.1).
type CV uint16

// MaxCV is the highest configuration variable that a packet can name.
const MaxCV CV = 1024

// Valid says whether c is 1 to 1024.
func (c CV) Valid() bool { return c >= 1 && c <= MaxCV }

// AddressKind says which of the address forms of S-9.2.1 an [Address] is.
type AddressKind uint8

const (
	Broadcast         AddressKind = iota // all multifunction decoders; number 0
	Short                                // multifunction, 7-bit address: 1 to 127
	Long                                 // multifunction, 14-bit address: 0 to 10239
	BasicAccessory                       // basic accessory decoder, 9-bit address: 0 to 511, 511 is their broadcast
	ExtendedAccessory                    // extended accessory output, 11-bit address: 0 to 2047, 2047 is their broadcast
)

// The highest number of each kind of address (S-9.2.1).
const (
	MaxShort             = 127
	MaxLong              = 10239
	MaxBasicAccessory    = 511
	MaxExtendedAccessory = 2047
)

// Address is whom a packet speaks to. The zero Address is the broadcast to all multifunction decoders.
type Address struct {
	Kind   AddressKind
	Number uint16
}

// Valid says whether the number fits the kind.
func (a Address) Valid() bool {
	switch a.Kind {
	case Broadcast:
		return a.Number == 0
	case Short:
		return a.Number >= 1 && a.Number <= MaxShort
	case Long:
		return a.Number <= MaxLong
	case BasicAccessory:
		return a.Number <= MaxBasicAccessory
	case ExtendedAccessory:
		return a.Number <= MaxExtendedAccessory
	}
	return false
}

// Multifunction says whether the address is one of a vehicle decoder, or their broadcast.
func (a Address) Multifunction() bool { return a.Kind <= Long }

// String names the address in words: "address 55", "address 4203 (long)", "all decoders".
func (a Address) String() string {
	switch a.Kind {
	case Broadcast:
		return "all decoders"
	case Short:
		return fmt.Sprintf("address %d", a.Number)
	case Long:
		return fmt.Sprintf("address %d (long)", a.Number)
	case BasicAccessory:
		if a.Number == MaxBasicAccessory {
			return "all basic accessories"
		}
		return fmt.Sprintf("accessory %d", a.Number)
	case ExtendedAccessory:
		if a.Number == MaxExtendedAccessory {
			return "all extended accessories"
		}
		return fmt.Sprintf("extended accessory %d", a.Number)
	}
	return fmt.Sprintf("address of unknown kind %d", a.Kind)
}
