// Command ask asks the car for its VIN over a unix: bus. Standard library only.
package main

import (
	"encoding/binary"
	"fmt"
	"log"
	"net"
	"os"
	"strings"
	"time"
)

// frame is one packet of the socket, as Linux has it in struct can_frame.
type frame struct {
	ID     uint32 // in native byte order
	Length uint8
	_      [3]uint8
	Data   [8]byte
}

func main() {
	bus, err := net.Dial("unixpacket", strings.TrimPrefix(os.Getenv("SAWHORSE_BUS"), "unix:"))
	check(err)
	check(bus.SetDeadline(time.Now().Add(5 * time.Second)))
	send := func(data ...byte) {
		f := frame{ID: 0x7E0, Length: 8}
		copy(f.Data[:], data)
		check(binary.Write(bus, binary.NativeEndian, f))
	}
	send(3, 0x22, 0xF1, 0x90) // single frame (ISO 15765-2) of three bytes: read identifier F190, the VIN
	var payload []byte
	for size := 1; len(payload) < size; {
		var f frame
		check(binary.Read(bus, binary.NativeEndian, &f))
		switch d := f.Data[:]; {
		case f.ID == 0x7E8 && d[0]>>4 == 1: // first frame: length, first six bytes
			size, payload = int(d[0]&15)<<8|int(d[1]), append(payload, d[2:]...)
			send(0x30, 0, 0) // flow control: send all, without a pause
		case f.ID == 0x7E8 && d[0]>>4 == 2: // consecutive frame: seven more
			payload = append(payload, d[1:]...)
		}
	}
	if len(payload) < 20 || string(payload[:3]) != "\x62\xf1\x90" {
		log.Fatalf("not the answer that was expected: % X", payload)
	}
	fmt.Printf("VIN %s\n", payload[3:20])
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
