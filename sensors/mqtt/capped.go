package mqtt

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"net"
)

// capped keeps messages that are too large from the client, which would make
// room for as much as a message claims to hold. They are read away piece by piece
// and acknowledged, so that what waits behind them comes.
type capped struct {
	net.Conn
	r    *bufio.Reader
	head []byte // of the packet being passed on
	left int    // of its body
	most int
	over func(topic string, bytes int)
}

func newCapped(conn net.Conn, most int, over func(string, int)) *capped {
	return &capped{Conn: conn, r: bufio.NewReaderSize(conn, readPiece), most: most, over: over}
}

// Read gives what may pass.
func (c *capped) Read(p []byte) (int, error) {
	for len(c.head) == 0 && c.left == 0 {
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(p, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.r.Read(p[:min(len(p), c.left)])
	c.left -= n
	return n, err
}

// next looks at the next packet's fixed header (MQTT 3.1.1, section 2.2).
func (c *capped) next() error {
	first, err := c.r.ReadByte()
	if err != nil {
		return err
	}
	head, left := []byte{first}, 0
	for shift := 0; ; shift += 7 {
		b, err := c.r.ReadByte()
		if err != nil {
			return err
		}
		head, left = append(head, b), left|int(b&0x7f)<<shift
		if b < 0x80 {
			break
		}
		if shift == 21 {
			return errors.New("a packet's length has more than four bytes")
		}
	}
	if left <= c.most {
		c.head, c.left = head, left
		return nil
	}
	if first>>4 != typePublish {
		return errors.New("a packet that is no message is larger than any")
	}
	return c.swallow(first, left)
}

// swallow reads a message away (section 3.3) and acknowledges it.
func (c *capped) swallow(first byte, left int) error {
	var two [2]byte
	if _, err := io.ReadFull(c.r, two[:]); err != nil {
		return err
	}
	topic := make([]byte, binary.BigEndian.Uint16(two[:]))
	if 2+len(topic)+2 > left {
		return errors.New("a topic is longer than its message")
	}
	if _, err := io.ReadFull(c.r, topic); err != nil {
		return err
	}
	rest, qos := left-2-len(topic), first>>1&3
	if qos > 0 {
		if _, err := io.ReadFull(c.r, two[:]); err != nil {
			return err
		}
		rest -= 2
	}
	if _, err := io.CopyN(io.Discard, c.r, int64(rest)); err != nil {
		return err
	}
	if c.over != nil {
		c.over(string(topic), left)
	}
	if qos != 1 { // this client asks for no more than 1
		return nil
	}
	_, err := c.Write([]byte{typePuback << 4, 2, two[0], two[1]})
	return err
}
