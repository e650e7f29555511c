package web

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"testing"
)

// quarters is a picture with four colours, so that it shows how it is turned.
func quarters(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{200, 30, 30, 255} // top left red
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{30, 200, 30, 255} // top right green
			case x < w/2 && y >= h/2:
				c = color.RGBA{30, 30, 200, 255} // bottom left blue
			case y >= h/2:
				c = color.RGBA{220, 220, 220, 255} // bottom right white
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func plainJPEG(w, h int) []byte {
	var b bytes.Buffer
	_ = jpeg.Encode(&b, quarters(w, h), nil) // into memory
	return b.Bytes()
}

// entry is one of a TIFF directory's (TIFF 6.0, section 2).
type entry struct {
	tag, kind   uint16
	count, data uint32
}

// withEXIF puts EXIF before a JPEG's other segments: an orientation, and a
// directory of GPS with a latitude that must not survive.
func withEXIF(picture []byte, order binary.ByteOrder, turn uint16) []byte {
	var tiff bytes.Buffer
	put := func(v any) { _ = binary.Write(&tiff, order, v) } // into memory
	if order == binary.BigEndian {
		tiff.WriteString("MM")
	} else {
		tiff.WriteString("II")
	}
	put(uint16(42))
	put(uint32(8))
	short := uint32(turn)
	if order == binary.BigEndian { // a SHORT stands at the field's beginning
		short = uint32(turn) << 16
	}
	directory := func(next uint32, es ...entry) {
		put(uint16(len(es)))
		for _, e := range es {
			put(e)
		}
		put(next)
	}
	directory(0, entry{0x010f, 2, 20, 8 + 2 + 3*12 + 4}, entry{0x0112, 3, 1, short}, entry{0x8825, 4, 1, 8 + 2 + 3*12 + 4 + 20})
	tiff.WriteString("Quayside Camera Co.\x00")
	directory(0, entry{0x0001, 2, 2, 'N' << 24}, entry{0x0002, 5, 3, 0})
	tiff.WriteString("GPSLATITUDE 38.7N")
	var b bytes.Buffer
	b.Write(picture[:2])
	b.Write([]byte{0xff, 0xe1})
	_ = binary.Write(&b, binary.BigEndian, uint16(2+6+tiff.Len()))
	b.WriteString("Exif\x00\x00")
	b.Write(tiff.Bytes())
	b.Write(picture[2:])
	return b.Bytes()
}

// The eight orientations of EXIF 2.3 (tag 0x0112) by the corner at which the
// picture's first pixel, the red one, must come to lie.
func TestAPhotoStandsUprightAndTellsNothingElse(t *testing.T) {
	for turn, red := range map[uint16][2]int{1: {0, 0}, 2: {1, 0}, 3: {1, 1}, 4: {0, 1}, 5: {0, 0}, 6: {1, 0}, 7: {1, 1}, 8: {0, 1}} {
		for _, order := range []binary.ByteOrder{binary.BigEndian, binary.LittleEndian} {
			photo := withEXIF(plainJPEG(400, 200), order, turn)
			if !bytes.Contains(photo, []byte("GPSLATITUDE")) {
				t.Fatal("the test's own photo has no place in it")
			}
			small, err := shrink(photo)
			if err != nil {
				t.Fatal(err)
			}
			for _, secret := range []string{"GPSLATITUDE", "Quayside Camera", "Exif"} {
				if bytes.Contains(small, []byte(secret)) {
					t.Errorf("%s survives", secret)
				}
			}
			for i := 2; i+4 <= len(small) && small[i] == 0xff && small[i+1] != 0xda; i += 2 + int(binary.BigEndian.Uint16(small[i+2:])) {
				if marker := small[i+1]; marker >= 0xe1 && marker <= 0xef || marker == 0xfe {
					t.Errorf("a segment %x of metadata stands in what is kept", marker)
				}
			}
			m, err := jpeg.Decode(bytes.NewReader(small))
			if err != nil {
				t.Fatal(err)
			}
			b := m.Bounds()
			if upright := turn >= 5; upright != (b.Dy() > b.Dx()) {
				t.Errorf("turn %d: it is %v", turn, b)
			}
			r, g, bl, _ := m.At(10+red[0]*(b.Dx()-20), 10+red[1]*(b.Dy()-20)).RGBA()
			if r>>8 < 150 || g>>8 > 90 || bl>>8 > 90 {
				t.Errorf("turn %d, %v: the red corner is %d %d %d", turn, order, r>>8, g>>8, bl>>8)
			}
		}
	}
}

func TestAPhotoIsMadeSmall(t *testing.T) {
	noisy := image.NewNRGBA(image.Rect(0, 0, 1700, 1275)) // what no camera's picture is worse than
	dice := rand.New(rand.NewPCG(7, 7))
	for i := range noisy.Pix {
		noisy.Pix[i] = uint8(dice.Uint32()) | 0x80
	}
	var b bytes.Buffer
	if err := png.Encode(&b, noisy); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		picture []byte
		w, h    int
	}{
		"a camera's":        {plainJPEG(2000, 1500), 1600, 1200},
		"upright":           {plainJPEG(900, 1800), 800, 1600},
		"small already":     {plainJPEG(40, 30), 40, 30},
		"a line":            {plainJPEG(5000, 1), 1600, 1},
		"nothing but noise": {b.Bytes(), 1600, 1200},
	} {
		small, err := shrink(c.picture)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got, err := jpeg.DecodeConfig(bytes.NewReader(small))
		if err != nil || got.Width != c.w || got.Height != c.h {
			t.Errorf("%s: %d x %d (%v), want %d x %d", name, got.Width, got.Height, err, c.w, c.h)
		}
		if len(small) > mostPhotoKept && name != "nothing but noise" {
			t.Errorf("%s: %d bytes", name, len(small))
		}
	}
}

// What is transparent is white, not black.
func TestATransparentPictureIsOnWhitePaper(t *testing.T) {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewNRGBA(image.Rect(0, 0, 30, 30))); err != nil {
		t.Fatal(err)
	}
	small, err := shrink(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	m, _ := jpeg.Decode(bytes.NewReader(small))
	if r, _, _, _ := m.At(15, 15).RGBA(); r>>8 < 250 {
		t.Errorf("it is %d", r>>8)
	}
}

// pngOf is a PNG that says it is so large and holds next to nothing.
func pngOf(w, h uint32, depth, kind byte) []byte {
	chunk := func(name string, body []byte) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
		b = append(append(b, name...), body...)
		return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	b := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", append(head, depth, kind, 0, 0, 0))...)
	return append(append(b, chunk("IDAT", []byte{0x78, 0x9c, 0x01})...), chunk("IEND", nil)...)
}

// sized is a JPEG whose frame header says another size, and perhaps that it is progressive.
func sized(picture []byte, w, h uint16, progressive bool) []byte {
	b := bytes.Clone(picture)
	i := bytes.Index(b, []byte{0xff, 0xc0})
	if progressive {
		b[i+1] = 0xc2
	}
	binary.BigEndian.PutUint16(b[i+5:], h)
	binary.BigEndian.PutUint16(b[i+7:], w)
	return b
}

func TestWhatIsNoPhotoOrABombIsRefusedUndecoded(t *testing.T) {
	var g bytes.Buffer
	if err := gif.Encode(&g, quarters(8, 8), nil); err != nil {
		t.Fatal(err)
	}
	whole := plainJPEG(64, 48)
	for name, c := range map[string]struct {
		picture []byte
		want    error
	}{
		"text":                  {[]byte("no picture at all"), photoUnread},
		"a GIF":                 {g.Bytes(), photoUnread},
		"a web page":            {[]byte("<svg onload=alert(1)>"), photoUnread},
		"half of one":           {whole[:len(whole)/3], photoUnread},
		"two bytes":             {whole[:2], photoUnread},
		"65,000 by 65,000":      {sized(whole, 65000, 65000, false), photoLarge},
		"progressive 50 MP":     {sized(whole, 8200, 6100, true), photoLarge},
		"a PNG of 1 Gpx":        {pngOf(32000, 32000, 8, 6), photoLarge},
		"a PNG of 2^31 by 1":    {pngOf(1<<31-1, 1, 8, 6), photoLarge},
		"a PNG of 2^24 by 1":    {pngOf(1<<24, 1, 8, 6), photoLarge},
		"a PNG of 16 bit":       {pngOf(5000, 4000, 16, 6), photoLarge},
		"a PNG without a size":  {pngOf(0, 0, 8, 6), photoUnread},
		"a PNG without content": {pngOf(50, 50, 8, 6), photoUnread},
	} {
		if got, err := shrink(c.picture); !errors.Is(err, c.want) || got != nil {
			t.Errorf("%s: %d bytes, %v", name, len(got), err)
		}
	}
	// What cameras make passes: 50 MP in one piece, 12 MP progressive.
	for name, picture := range map[string][]byte{"50 MP": sized(whole, 8192, 6144, false), "12 MP progressive": sized(whole, 4032, 3024, true)} {
		if f := readJPEG(picture); f.memory() > mostDecoded || f.width == 0 {
			t.Errorf("%s would be refused: it takes %g bytes", name, f.memory())
		}
	}
}

func FuzzPhoto(f *testing.F) {
	whole := plainJPEG(32, 24)
	f.Add(whole)
	f.Add(withEXIF(whole, binary.BigEndian, 6))
	f.Add(withEXIF(whole, binary.LittleEndian, 3))
	f.Add(pngOf(50, 50, 8, 6))
	f.Fuzz(func(t *testing.T, picture []byte) {
		if facts := readJPEG(picture); facts.turn < 1 || facts.turn > 8 {
			t.Errorf("turn %d", facts.turn)
		}
		if small, err := shrink(picture); err == nil {
			if _, err := jpeg.DecodeConfig(bytes.NewReader(small)); err != nil {
				t.Error(err)
			}
		}
	})
}
