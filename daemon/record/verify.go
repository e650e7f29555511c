package record

import (
	"bufio"
	"bytes"
	"compress/flate"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"strings"

	"standwatch/daemon/journal"
)

// Verified is what Verify found out.
type Verified struct {
	Manifest    Manifest
	Fingerprint string  // of the key that signed it; empty where the signature does not hold
	Faults      []Fault // none: intact
	// PhotosMissing is how many pictures the marks name that the bundle lacks:
	// the journal did not hold them.
	PhotosMissing int
	open          func(name string) (io.Reader, bool)
	any           func(name string) (io.Reader, bool) // of a changed one, too
}

// Open reads a part of an intact bundle. ok is false where it has none of that
// name, or is not intact.
func (v Verified) Open(name string) (part io.Reader, ok bool) {
	if v.open == nil || len(v.Faults) > 0 {
		return nil, false
	}
	return v.open(name)
}

// openAny reads a part of a bundle that may have been changed: for who was told
// so, and looks all the same.
func (v Verified) openAny(name string) (part io.Reader, ok bool) {
	if len(v.Faults) == 0 {
		return v.Open(name)
	}
	if v.any == nil {
		return nil, false
	}
	return v.any(name)
}

// Continues reports whether an intact bundle holds all entries of another, made
// before it, unchanged. An error says what is not so.
func (v Verified) Continues(earlier Verified) error {
	now, ok := v.Open(partEntries)
	then, also := earlier.Open(partEntries)
	if !ok || !also {
		return errors.New("one of the two is not intact")
	}
	a, b := bufio.NewReaderSize(now, 1<<16), bufio.NewReaderSize(then, 1<<16)
	for n := 1; ; n++ {
		want, err := readLine(b)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		got, err := readLine(a)
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("it ends with entry %d, before the earlier one", n-1)
		}
		if err != nil {
			return err
		}
		if !bytes.Equal(got, want) {
			return fmt.Errorf("entry %d is another", n)
		}
	}
}

// Fault is one thing that is not as it was signed.
type Fault struct {
	Part        string `json:"part,omitempty"`        // the file in the bundle; empty: the zip itself
	First       uint64 `json:"first_entry,omitempty"` // of the link of the chain
	Last        uint64 `json:"last_entry,omitempty"`  //
	Byte        *int64 `json:"byte,omitempty"`        // where in the zip
	Description string `json:"description"`           // a sentence
}

// What a hostile bundle may at most make Verify read and hold.
const (
	mostManifest  = 4 << 20
	mostDirectory = 1 << 20
	mostSought    = 16 // places that look like a manifest's head
	mostLine      = 1 << 20
	mostAnchors   = 1 << 20
)

// Verify checks a bundle as it lies there, from nothing else: the signature, every
// part, the chain from the first entry on, that the field log is what the
// entries give, and that the zip has no byte besides. An error says that it
// could not be read at all.
func Verify(in io.ReaderAt, size int64) (Verified, error) {
	v := &verifier{in: in, size: size}
	if err := v.verify(); err != nil {
		return Verified{}, err
	}
	v.Verified.open = func(name string) (io.Reader, bool) {
		b, ok := v.bodies[name]
		if !ok {
			return nil, false
		}
		return v.unpack(b.placed, b.body()), true
	}
	v.Verified.any = func(name string) (io.Reader, bool) {
		if b, ok := v.bodies[name]; ok {
			return v.unpack(b.placed, b.body()), true
		}
		for _, l := range readDirectory(v) { // where the manifest tells nothing
			if l.Name == name {
				return v.unpack(l.placed, l.data), true
			}
		}
		return nil, false
	}
	return v.Verified, v.broken
}

type verifier struct {
	Verified
	in     io.ReaderAt
	size   int64
	broken error // the file could not be read

	parts  []placed // by the manifest, at the places it gives them
	bodies map[string]body
	one    unpacker // for what is read part by part
}

// unpacker is what one part after the other is read through.
type unpacker struct {
	in      *bufio.Reader
	deflate io.ReadCloser
}

// body is where a part's bytes are.
type body struct {
	placed
	whole bool // packed just as it was signed
	good  bool // its content is what was signed
}

func (v *verifier) fault(part, format string, args ...any) {
	v.Faults = append(v.Faults, Fault{Part: part, Description: fmt.Sprintf(format, args...)})
}

func (v *verifier) read(at, n int64) []byte {
	if at < 0 || at >= v.size {
		return nil
	}
	b := make([]byte, min(n, v.size-at))
	got, err := v.in.ReadAt(b, at)
	if err != nil && !errors.Is(err, io.EOF) {
		v.broken = err
	}
	return b[:got]
}

func (v *verifier) verify() error {
	if v.size > mostBundle {
		return fmt.Errorf("it has %d bytes: a bundle has less than 4 GB", v.size)
	}
	v.bodies = map[string]body{}
	v.one = newUnpacker()
	found := readDirectory(v)
	m, ok := v.findManifest(found)
	if !ok {
		v.lacksManifest(found)
		return nil
	}
	if !v.readManifest(m) {
		return nil
	}
	v.checkParts(found)
	if len(v.Faults) == 0 {
		v.checkZip(m)
	}
	v.checkChain()
	return nil
}

// listed is a part as the zip's own directory has it.
type listed struct {
	placed
	data int64 // where its bytes begin, by its own head
}

// readDirectory reads the zip's directory as far as it can be believed: it only
// helps to name what was changed. nil where it is damaged.
func readDirectory(v *verifier) (out []listed) {
	le := binary.LittleEndian
	end := v.read(v.size-endHead, endHead)
	if len(end) < endHead || le.Uint32(end) != endMark {
		return nil
	}
	size, at := int64(le.Uint32(end[12:])), int64(le.Uint32(end[16:]))
	if size > mostDirectory || at+size > v.size {
		return nil
	}
	for b := v.read(at, size); len(b) > 0; {
		if len(b) < centralHead || le.Uint32(b) != centralMark {
			return nil
		}
		name, rest := int(le.Uint16(b[28:])), int(le.Uint16(b[30:]))+int(le.Uint16(b[32:]))
		if len(b) < centralHead+name+rest || len(out) >= mostParts+2 {
			return nil
		}
		l := listed{placed: placed{method: le.Uint16(b[10:]), crc: le.Uint32(b[16:]), offset: int64(le.Uint32(b[42:]))}}
		l.Packed, l.Size, l.Name = int64(le.Uint32(b[20:])), int64(le.Uint32(b[24:])), string(b[centralHead:centralHead+name])
		l.data = l.offset + localHead + int64(name)
		if h := v.read(l.offset, localHead); len(h) == localHead && le.Uint32(h) == localMark {
			l.data = l.offset + localHead + int64(le.Uint16(h[26:])) + int64(le.Uint16(h[28:]))
		}
		out = append(out, l)
		b = b[centralHead+name+rest:]
	}
	return out
}

// sealed is the manifest and its signature as they were found.
type sealed struct {
	text, signature               []byte
	textChanged, signatureChanged bool // against the check sums in the zip
}

// findManifest finds the manifest and its signature: by their heads, which
// stand before the directory, and else by the directory.
func (v *verifier) findManifest(found []listed) (m sealed, ok bool) {
	tail := max(0, v.size-mostManifest-2*mostDirectory)
	b := v.read(tail, v.size-tail)
	mark := binary.LittleEndian.AppendUint32(nil, localMark)
	for end, sought := len(b), 0; sought < mostSought; {
		i := bytes.LastIndex(b[:end], mark)
		if i < 0 {
			break
		}
		end = i
		if bytes.HasPrefix(b[i+min(localHead, len(b)-i):], []byte(partManifest)) {
			sought++
			if m, ok = manifestAt(b[i:]); ok {
				return m, true
			}
		}
	}
	at := slices.IndexFunc(found, func(l listed) bool { return l.Name == partManifest })
	if at < 0 {
		return m, false
	}
	l := found[at]
	if m, ok = manifestAt(v.read(l.offset, mostManifest)); ok {
		return m, true
	}
	// Another program packed it.
	for _, l := range found {
		if l.Name != partManifest && l.Name != partSigned {
			continue
		}
		l.Size = mostManifest
		text, err := io.ReadAll(v.unpack(l.placed, l.data))
		if err != nil || len(text) > mostManifest {
			return m, false
		}
		if l.Name == partManifest {
			m.text, m.textChanged = text, crc32.ChecksumIEEE(text) != l.crc
		} else {
			m.signature, m.signatureChanged = text, crc32.ChecksumIEEE(text) != l.crc
		}
	}
	return m, true
}

// manifestAt reads the manifest whose head b begins with, to where its own text
// ends, and its signature, which stands behind it.
func manifestAt(b []byte) (m sealed, ok bool) {
	const ends = "\n}\n"
	const sizesBehind = 1 << 3 // a bit of the flags: the sizes stand behind the part, as other programs write them
	if len(b) < localHead+len(partManifest) || binary.LittleEndian.Uint16(b[6:])&sizesBehind != 0 || binary.LittleEndian.Uint16(b[8:]) != stored {
		return m, false
	}
	head, b := b[:localHead], b[localHead+len(partManifest):]
	n := bytes.Index(b, []byte(ends)) + len(ends)
	if n < len(ends) { // its end was changed: as its head has it
		n = int(min(binary.LittleEndian.Uint32(head[18:]), mostManifest))
	}
	if n > len(b) {
		return m, false
	}
	m.text, b = b[:n], b[n:]
	m.textChanged = crc32.ChecksumIEEE(m.text) != binary.LittleEndian.Uint32(head[14:])
	if len(b) < localHead+len(partSigned) {
		return m, true
	}
	head, b = b[:localHead], b[localHead+len(partSigned):]
	m.signature = b[:min(len(b), 2*ed25519.SignatureSize+1)]
	m.signatureChanged = crc32.ChecksumIEEE(m.signature) != binary.LittleEndian.Uint32(head[14:])
	return m, true
}

func sumOf(name string, b []byte) partSum {
	sum := sha256.Sum256(b)
	return partSum{Name: name, Size: int64(len(b)), SHA256: sum, Packed: int64(len(b)), PackedSHA256: sum}
}

func (v *verifier) lacksManifest(found []listed) {
	switch start := v.read(0, 4); {
	case len(start) < 4 || binary.LittleEndian.Uint32(start) != localMark:
		v.fault("", "This is no bundle of a standwatch: it does not begin as one.")
	case found == nil:
		v.fault("", "The bundle ends too early: its manifest is not there, nor is the end of the zip. It was cut off on its way; fetch it again.")
	default:
		v.fault(partManifest, "The manifest is missing, so nothing in this zip is proved.")
	}
}

// readManifest reads the manifest and checks its signature. It returns false
// where there is nothing more to check by it.
func (v *verifier) readManifest(found sealed) bool {
	m := &v.Manifest
	err := json.Unmarshal(found.text, m)
	if err == nil && m.Format != bundleFormat {
		if strings.HasPrefix(m.Format, "standwatch bundle ") {
			v.fault(partManifest, "The manifest calls itself %.80q; this program reads %q. A newer standwatch may read it.", m.Format, bundleFormat)
			return false
		}
		err = fmt.Errorf("it calls itself %.80q", m.Format)
	}
	if err == nil && v.signedBy(found.text, found.signature) {
		all := int64(0)
		for i, p := range m.Parts {
			if !goodName(p.Name) || p.Size < 0 || p.Size > mostPart || p.Packed < 0 || p.Packed > v.size || i >= mostParts || p.Name == partManifest || p.Name == partSigned ||
				slices.ContainsFunc(m.Parts[:i], func(o partSum) bool { return o.Name == p.Name }) {
				v.fault(partManifest, "Part %d of the manifest, %.80q, is none that a standwatch writes.", i+1, p.Name)
				return false
			}
			if all += p.Size; all > mostUnpacked {
				v.fault(partManifest, "The parts come to more than %d bytes, which no standwatch writes.", int64(mostUnpacked))
				return false
			}
			v.parts = append(v.parts, placed{partSum: p, offset: v.next(), method: deflated})
		}
		return true
	}
	// Which of the two was changed the check sums beside them can say, where the
	// change was an accident.
	switch {
	case err != nil:
		v.fault(partManifest, "The manifest was changed: %v. Nothing in this bundle is proved.", err)
	case found.textChanged:
		v.fault(partManifest, "The manifest was changed: its signature does not fit it. Nothing in this bundle is proved.")
	case len(found.signature) == 0:
		v.fault(partSigned, "The signature is missing, so nothing proves who made this bundle.")
	case found.signatureChanged:
		v.fault(partSigned, "The signature was changed, so nothing proves who made this bundle.")
	default:
		v.fault(partManifest, "The signature does not fit the manifest: one of the two was made anew. Nothing in this bundle is proved.")
	}
	return false
}

// signedBy checks the signature by the key that the manifest names. Each has one spelling.
func (v *verifier) signedBy(text, signature []byte) bool {
	public, err := hex.DecodeString(v.Manifest.Key)
	if err != nil || len(public) != ed25519.PublicKeySize {
		return false
	}
	sum, err := hex.DecodeString(strings.TrimSuffix(string(signature), "\n"))
	if err != nil || hex.EncodeToString(sum)+"\n" != string(signature) || !ed25519.Verify(public, text, sum) {
		return false
	}
	v.Fingerprint = fingerprint(public)
	return true
}

// next is where the part behind those known so far begins.
func (v *verifier) next() int64 {
	if n := len(v.parts); n > 0 {
		return v.parts[n-1].end()
	}
	return 0
}

// checkParts looks for each part, at its place and else where the directory has it.
func (v *verifier) checkParts(found []listed) {
	for i := range v.parts {
		p := &v.parts[i]
		b := body{placed: *p}
		b.whole = v.packedSum(*p) == p.PackedSHA256
		b.good = b.whole && v.contentIs(&b.placed, p.body())
		p.crc = b.crc
		if !b.whole {
			j := slices.IndexFunc(found, func(l listed) bool { return l.Name == p.Name })
			if j < 0 && found != nil && !v.standsAt(*p) {
				v.fault(p.Name, "%s is missing.", p.Name)
				continue
			}
			if j >= 0 {
				l := found[j]
				l.partSum.Size, l.SHA256 = p.Size, p.SHA256
				if l.data != p.body() || l.Packed != p.Packed || l.method != p.method { // the zip was packed anew
					b.placed = l.placed
					b.good = v.contentIs(&b.placed, l.data)
					b.offset = l.data - localHead - int64(len(p.Name))
				}
			}
		}
		if !b.good {
			v.fault(p.Name, "%s was changed: it is not what was signed.", p.Name)
		}
		v.bodies[p.Name] = b
	}
	for i, l := range found {
		known := l.Name == partManifest || l.Name == partSigned || slices.ContainsFunc(v.parts, func(p placed) bool { return p.Name == l.Name })
		twice := slices.ContainsFunc(found[:i], func(o listed) bool { return o.Name == l.Name })
		if !known && !v.standsInPlace(l) || twice {
			v.fault(fmt.Sprintf("%.200q", l.Name), "%.200q is a part that was added: nobody signed it.", l.Name)
		}
	}
}

// standsAt reports whether a part's own name stands at its place, whatever the directory says.
func (v *verifier) standsAt(p placed) bool {
	return string(v.read(p.offset+localHead, int64(len(p.Name)))) == p.Name
}

// standsInPlace reports whether what the directory calls otherwise is a signed
// part in its own place: then it is the directory that was changed.
func (v *verifier) standsInPlace(l listed) bool {
	return slices.ContainsFunc(v.parts, func(p placed) bool { return p.offset == l.offset && v.bodies[p.Name].whole }) ||
		v.next() == l.offset || strings.HasPrefix(string(v.read(l.offset+localHead, mostPartName)), partSigned)
}

func (v *verifier) packedSum(p placed) (out journal.Hash) {
	sum := sha256.New()
	if n, err := io.Copy(sum, io.NewSectionReader(v.in, p.body(), p.Packed)); err != nil || n != p.Packed {
		return out
	}
	sum.Sum(out[:0])
	return out
}

// open unpacks a part whose bytes begin at a place, to a byte more than it should have.
func (v *verifier) unpack(p placed, at int64) io.Reader {
	return newUnpacker().open(v.in, p, at)
}

func newUnpacker() unpacker {
	return unpacker{bufio.NewReaderSize(nil, 1<<15), flate.NewReader(bytes.NewReader(nil))}
}

func (u unpacker) open(from io.ReaderAt, p placed, at int64) io.Reader {
	u.in.Reset(io.NewSectionReader(from, at, p.Packed))
	in := io.Reader(u.in)
	if p.method == deflated {
		_ = u.deflate.(flate.Resetter).Reset(in, nil) // it never fails, and every reader of the package has it
		in = u.deflate
	}
	return io.LimitReader(in, p.Size+1)
}

// contentIs reports whether a part unpacks to what was signed, and keeps its check sum.
func (v *verifier) contentIs(p *placed, at int64) bool {
	sum, crc := sha256.New(), crc32.NewIEEE()
	n, err := io.Copy(io.MultiWriter(sum, crc), v.one.open(v.in, *p, at))
	if err != nil || n != p.Size || p.method != stored && p.method != deflated {
		return false
	}
	p.crc = crc.Sum32()
	return journal.Hash(sum.Sum(nil)) == p.SHA256
}

// checkZip compares everything that is no part's content with what a zip of
// these parts has.
func (v *verifier) checkZip(m sealed) {
	manifest := placed{partSum: sumOf(partManifest, m.text), offset: v.next(), crc: crc32.ChecksumIEEE(m.text)}
	signed := placed{partSum: sumOf(partSigned, m.signature), offset: manifest.end(), crc: crc32.ChecksumIEEE(m.signature)}
	all := append(slices.Clone(v.parts), manifest, signed)
	at := int64(0)
	compare := func(want []byte, part string) bool {
		got := v.read(at, int64(len(want)))
		for i := range want {
			if i >= len(got) || got[i] != want[i] {
				place := at + int64(i)
				if i >= len(got) {
					v.Faults = append(v.Faults, Fault{Byte: &place, Description: fmt.Sprintf(
						"The bundle ends too early, at byte %d, in %s: it was cut off on its way; fetch it again. What the parts hold is as it was signed.", place, part)})
					return false
				}
				v.Faults = append(v.Faults, Fault{Byte: &place, Description: fmt.Sprintf(
					"The zip is damaged at byte %d, in %s: it is not as it was made. What the parts hold is as it was signed.", place, part)})
				return false
			}
		}
		at += int64(len(want))
		return true
	}
	for _, p := range all {
		if !compare(p.local(), "the head of "+p.Name) {
			return
		}
		at = p.end()
	}
	if compare(directory(all), "its directory") && at != v.size {
		v.Faults = append(v.Faults, Fault{Byte: &at, Description: fmt.Sprintf("Behind the end of the zip, at byte %d, stand %d bytes that do not belong there.", at, v.size-at)})
	}
}
