package record

import (
	"bufio"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"

	"standwatch/daemon/journal"
)

// A bundle is a zip (APPNOTE 6.3.3) of the plainest kind, of which every byte
// follows from the manifest and the parts: parts one behind the other without
// anything between, all dated the first of January 1980, the directory, the end.
const (
	localHead    = 30
	centralHead  = 46
	endHead      = 22
	localMark    = 0x04034b50
	centralMark  = 0x02014b50
	endMark      = 0x06054b50
	zipVersion   = 20 // deflate
	zipDate      = 1<<5 | 1
	stored       = 0
	deflated     = 8
	mostPart     = 1<<32 - 2 // without the 64-bit additions
	mostBundle   = 1<<32 - 2
	mostUnpacked = 8 << 30
	mostParts    = 4096
	mostPartName = 200
)

// partSum is what a manifest says of a part.
type partSum struct {
	Name         string       `json:"name"`
	Size         int64        `json:"size"`
	SHA256       journal.Hash `json:"sha256"`
	Packed       int64        `json:"packed"`
	PackedSHA256 journal.Hash `json:"packed_sha256"`
}

// placed is a part in the zip.
type placed struct {
	partSum
	offset int64
	method uint16
	crc    uint32
}

func (p placed) body() int64 { return p.offset + localHead + int64(len(p.Name)) }
func (p placed) end() int64  { return p.body() + p.Packed }

func (p placed) fields(b []byte) []byte {
	le := binary.LittleEndian
	b = le.AppendUint16(b, zipVersion)
	b = le.AppendUint16(b, 0) // flags: names are ASCII, sizes stand before
	b = le.AppendUint16(b, p.method)
	b = le.AppendUint16(b, 0) // midnight
	b = le.AppendUint16(b, zipDate)
	b = le.AppendUint32(b, p.crc)
	b = le.AppendUint32(b, uint32(p.Packed))
	b = le.AppendUint32(b, uint32(p.Size))
	b = le.AppendUint16(b, uint16(len(p.Name)))
	return le.AppendUint16(b, 0) // no extra field
}

func (p placed) local() []byte {
	b := p.fields(binary.LittleEndian.AppendUint32(nil, localMark))
	return append(b, p.Name...)
}

func (p placed) central() []byte {
	le := binary.LittleEndian
	b := le.AppendUint32(nil, centralMark)
	b = p.fields(le.AppendUint16(b, zipVersion))
	b = append(b, make([]byte, 2+2+2+4)...) // no comment, one disk, no attributes
	b = le.AppendUint32(b, uint32(p.offset))
	return append(b, p.Name...)
}

// directory is what stands behind the last part.
func directory(parts []placed) []byte {
	le := binary.LittleEndian
	var b []byte
	at := int64(0)
	for _, p := range parts {
		b = append(b, p.central()...)
		at = p.end()
	}
	size := len(b)
	b = le.AppendUint32(b, endMark)
	b = append(b, 0, 0, 0, 0) // one disk
	b = le.AppendUint16(b, uint16(len(parts)))
	b = le.AppendUint16(b, uint16(len(parts)))
	b = le.AppendUint32(b, uint32(size))
	b = le.AppendUint32(b, uint32(at))
	return append(b, 0, 0) // no comment
}

// goodName reports whether a part may be called so: nothing that a program
// which unpacks could take for a place outside.
func goodName(name string) bool {
	if name == "" || len(name) > mostPartName || name[0] == '/' || name[0] == '.' {
		return false
	}
	for i := range len(name) {
		switch c := name[i]; {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '-':
		case (c == '.' || c == '/') && name[i-1] != '.' && name[i-1] != '/':
		default:
			return false
		}
	}
	return true
}

// zipWriter writes parts. A part's head is written last, over the room left for it.
type zipWriter struct {
	out   io.WriteSeeker
	at    int64
	plain int64 // bytes of the parts, unpacked
	parts []placed
}

// counted hashes what goes through it.
type counted struct {
	w io.Writer
	n int64
}

func (c *counted) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}

// add writes a part, packed unless it is to be found without unpacking.
func (z *zipWriter) add(name string, method uint16, write func(io.Writer) error) error {
	if !goodName(name) {
		return fmt.Errorf("%q is no name for a part of a bundle", name)
	}
	p := placed{partSum: partSum{Name: name}, offset: z.at, method: method}
	buffer := bufio.NewWriterSize(z.out, 1<<16)
	if _, err := buffer.Write(p.local()); err != nil {
		return err
	}
	sum, packedSum, crc := sha256.New(), sha256.New(), crc32.NewIEEE()
	packed := &counted{w: io.MultiWriter(buffer, packedSum)}
	inner := io.Writer(packed)
	var pack *flate.Writer
	if method == deflated {
		var err error
		if pack, err = flate.NewWriter(packed, flate.DefaultCompression); err != nil {
			return err
		}
		inner = pack
	}
	plain := &counted{w: io.MultiWriter(inner, sum, crc)}
	if err := write(plain); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if pack != nil {
		if err := pack.Close(); err != nil {
			return err
		}
	}
	if err := buffer.Flush(); err != nil {
		return err
	}
	p.Size, p.Packed, p.crc = plain.n, packed.n, crc.Sum32()
	sum.Sum(p.SHA256[:0])
	packedSum.Sum(p.PackedSHA256[:0])
	z.plain += p.Size
	if p.Size > mostPart || p.end() > mostBundle || z.plain > mostUnpacked || len(z.parts) >= mostParts {
		return fmt.Errorf("%s: a bundle holds %d parts and 4 GB at most", name, mostParts)
	}
	if _, err := z.out.Seek(p.offset, io.SeekStart); err != nil {
		return err
	}
	if _, err := z.out.Write(p.local()); err != nil {
		return err
	}
	z.at = p.end()
	z.parts = append(z.parts, p)
	_, err := z.out.Seek(z.at, io.SeekStart)
	return err
}

func (z *zipWriter) finish() error {
	_, err := z.out.Write(directory(z.parts))
	return err
}
