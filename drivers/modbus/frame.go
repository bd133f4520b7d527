package modbus

import (
	"encoding/binary"
	"fmt"
)

// The read functions.
const (
	readHolding = 3
	readInput   = 4
	exceptional = 0x80 // added to the function in an exception reply
)

// Sizes of frames, bytes.
const (
	mbapLen  = 7   // header of a TCP frame
	maxFrame = 260 // longest TCP frame; the longest RTU frame has 256
)

// replyError is what is wrong with a reply.
type replyError string

// Error implements error.
func (e replyError) Error() string { return string(e) }

const (
	errIncomplete replyError = "the reply broke off"
	errCRC        replyError = "the reply's checksum is wrong"
	errUnit       replyError = "another device replied"
	errFunction   replyError = "the reply is to another function"
	errCount      replyError = "the reply has a wrong number of bytes"
	errProtocol   replyError = "the reply is not a Modbus frame"
	errStale      replyError = "the reply is to an earlier request"
)

// Exception is the code with which a device refuses a request (V1.1b3 section
// 7).
type Exception byte

// Error implements error.
func (e Exception) Error() string {
	name := "for a reason that the specification does not list"
	switch e {
	case 1:
		name = "it does not know this function"
	case 2:
		name = "it has no such register"
	case 3:
		name = "it does not accept the request's values"
	case 4:
		name = "it failed while reading"
	case 5:
		name = "it needs more time"
	case 6:
		name = "it is busy"
	case 8:
		name = "its memory has a parity error"
	case 10:
		name = "the gateway has no path to it"
	case 11:
		name = "it did not answer the gateway"
	}
	return fmt.Sprintf("the device refused, code %d: %s", byte(e), name)
}

var crcTable = makeTable()

func makeTable() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			odd := c & 1
			c >>= 1
			if odd != 0 {
				c ^= 0xA001
			}
		}
		t[i] = c
	}
	return t
}

// crc is CRC-16/MODBUS: reflected polynomial A001h, start FFFFh. It is sent low
// byte first.
func crc(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c = c>>8 ^ crcTable[byte(c)^x]
	}
	return c
}

// request is one question.
type request struct {
	unit     byte
	function byte
	register uint16
	count    uint16 // registers, 1 to 125
}

// appendRTU appends the request as an RTU frame.
func (r request) appendRTU(b []byte) []byte {
	start := len(b)
	b = r.appendPDU(append(b, r.unit))
	return binary.LittleEndian.AppendUint16(b, crc(b[start:]))
}

// appendTCP appends the request as a TCP frame of transaction id.
func (r request) appendTCP(b []byte, id uint16) []byte {
	b = binary.BigEndian.AppendUint16(b, id)
	b = append(b, 0, 0, 0, 6, r.unit) // protocol 0, six bytes follow
	return r.appendPDU(b)
}

func (r request) appendPDU(b []byte) []byte {
	b = append(b, r.function)
	b = binary.BigEndian.AppendUint16(b, r.register)
	return binary.BigEndian.AppendUint16(b, r.count)
}

// lengthRTU is how long the RTU reply that begins with b will be; 0 as long as
// b does not tell.
func lengthRTU(b []byte) int {
	switch {
	case len(b) < 2:
		return 0
	case b[1]&exceptional != 0:
		return 5
	case len(b) < 3:
		return 0
	}
	return 5 + int(b[2])
}

// lengthTCP is the same for a TCP reply.
func lengthTCP(b []byte) int {
	if len(b) < 6 {
		return 0
	}
	return 6 + int(binary.BigEndian.Uint16(b[4:]))
}

// parseRTU gives the register bytes of a whole RTU frame that answers r.
func (r request) parseRTU(b []byte) ([]byte, error) {
	if len(b) < 5 {
		return nil, errIncomplete
	}
	end := len(b) - 2
	if binary.LittleEndian.Uint16(b[end:]) != crc(b[:end]) {
		return nil, errCRC
	}
	if b[0] != r.unit {
		return nil, errUnit
	}
	return r.parsePDU(b[1:end])
}

// parseTCP gives the register bytes of a whole TCP frame that answers r.
func (r request) parseTCP(b []byte, id uint16) ([]byte, error) {
	if len(b) < mbapLen+2 {
		return nil, errIncomplete
	}
	if b[2] != 0 || b[3] != 0 || lengthTCP(b) != len(b) {
		return nil, errProtocol
	}
	if binary.BigEndian.Uint16(b) != id {
		return nil, errStale
	}
	if b[6] != r.unit {
		return nil, errUnit
	}
	return r.parsePDU(b[mbapLen:])
}

func (r request) parsePDU(b []byte) ([]byte, error) {
	switch {
	case len(b) < 2:
		return nil, errIncomplete
	case b[0] == r.function|exceptional && len(b) == 2:
		return nil, Exception(b[1])
	case b[0] != r.function:
		return nil, errFunction
	case int(b[1]) != 2*int(r.count) || len(b) != 2+int(b[1]):
		return nil, errCount
	}
	return b[2:], nil
}
