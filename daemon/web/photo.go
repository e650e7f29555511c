package web

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	paint "image/draw"
	"image/jpeg"
	"image/png"
	"net/http"
	"strings"
	"time"

	"standwatch/rules"
)

// What a photo may be, and what of it is kept: enough to read a nameplate by.
const (
	mostPhotoBody = 12 << 20  // of a form with photos
	mostPhotoEdge = 1600      // pixels, of what is kept
	mostPhotoKept = 400 << 10 // bytes, or the least quality
	mostDecoded   = 96 << 20  // bytes that a picture may take in memory: a small board has 512 MB
	mostRead      = 1<<16 - 1 // pixels of an edge, as a JPEG's: a strip of the whole is held beside it
	mostPhotosOf  = 6         // of one mark
)

// photoFault is why a picture was not taken: a key of the catalogue.
type photoFault string

func (f photoFault) Error() string { return string(f) }

const (
	photoUnread photoFault = "problem.photo-unread"
	photoLarge  photoFault = "problem.photo-large"
)

// shrink makes of a photo what is kept: upright, small, and nothing beside the
// picture itself: no place, no time, no device.
func shrink(picture []byte) ([]byte, error) {
	turn := 1
	var read func() (image.Image, error)
	switch {
	case bytes.HasPrefix(picture, []byte{0xff, 0xd8}):
		f := readJPEG(picture)
		if f.width == 0 || f.height == 0 {
			return nil, photoUnread
		}
		if f.memory() > mostDecoded {
			return nil, photoLarge
		}
		turn, read = f.turn, func() (image.Image, error) { return jpeg.Decode(bytes.NewReader(picture)) }
	case bytes.HasPrefix(picture, []byte("\x89PNG")):
		c, err := png.DecodeConfig(bytes.NewReader(picture))
		if tooMany := png.UnsupportedError("dimension overflow"); errors.Is(err, tooMany) { // for a machine of 32 bits, which counts no more
			return nil, photoLarge
		}
		if err != nil || c.Width < 1 || c.Height < 1 {
			return nil, photoUnread
		}
		each := 4.0
		switch c.ColorModel {
		case color.NRGBA64Model, color.RGBA64Model, color.Gray16Model:
			each = 8
		}
		if max(c.Width, c.Height) > mostRead || float64(c.Width)*float64(c.Height)*each > mostDecoded {
			return nil, photoLarge
		}
		read = func() (image.Image, error) { return png.Decode(bytes.NewReader(picture)) }
	default:
		return nil, photoUnread
	}
	whole, err := read()
	if err != nil {
		return nil, photoUnread
	}
	small := turned(whole, turn)
	var b bytes.Buffer
	for _, quality := range []int{82, 70, 58, 46, 34} {
		b.Reset()
		if err := jpeg.Encode(&b, small, &jpeg.Options{Quality: quality}); err != nil {
			return nil, err
		}
		if b.Len() <= mostPhotoKept {
			break
		}
	}
	return b.Bytes(), nil
}

// turned is the picture upright and at most mostPhotoEdge long: each pixel the
// mean of those it stands for. A strip of the whole at a time, so that memory
// holds the whole once.
func turned(whole image.Image, turn int) *image.RGBA {
	from := whole.Bounds()
	w, h := from.Dx(), from.Dy()
	if long := max(w, h); long > mostPhotoEdge {
		w, h = max(1, w*mostPhotoEdge/long), max(1, h*mostPhotoEdge/long)
	}
	to := image.Rect(0, 0, w, h)
	if turn >= 5 {
		to = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(to)
	strip := image.NewRGBA(image.Rect(0, 0, from.Dx(), from.Dy()/h+1))
	for y := range h {
		y0, y1 := y*from.Dy()/h, max(y*from.Dy()/h+1, (y+1)*from.Dy()/h)
		rows := image.Rect(0, 0, from.Dx(), y1-y0)
		paint.Draw(strip, rows, image.White, image.Point{}, paint.Src)
		paint.Draw(strip, rows, whole, from.Min.Add(image.Pt(0, y0)), paint.Over)
		for x := range w {
			x0, x1 := x*from.Dx()/w, max(x*from.Dx()/w+1, (x+1)*from.Dx()/w)
			var sum [3]int
			for row := range y1 - y0 {
				for i := strip.PixOffset(x0, row); i < strip.PixOffset(x1, row); i += 4 {
					sum[0] += int(strip.Pix[i])
					sum[1] += int(strip.Pix[i+1])
					sum[2] += int(strip.Pix[i+2])
				}
			}
			n := (x1 - x0) * (y1 - y0)
			px, py := placed(x, y, w, h, turn)
			out.SetRGBA(px, py, color.RGBA{uint8(sum[0] / n), uint8(sum[1] / n), uint8(sum[2] / n), 0xff})
		}
	}
	return out
}

// placed is where a pixel belongs by EXIF's orientation (EXIF 2.3, tag 0x0112:
// where the picture's top row and left column are).
func placed(x, y, w, h, turn int) (int, int) {
	switch turn {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return h - 1 - y, x
	case 7:
		return h - 1 - y, w - 1 - x
	case 8:
		return y, w - 1 - x
	}
	return x, y
}

// jpegFacts is what a JPEG says of itself before its picture begins.
type jpegFacts struct {
	width, height int
	samples       float64 // a pixel
	progressive   bool
	turn          int // EXIF's orientation, from 1
}

// memory is what decoding takes: a byte a sample, and in progressive ones four
// more for its coefficient.
func (f jpegFacts) memory() float64 {
	each := f.samples
	if f.progressive {
		each *= 5
	}
	return float64(f.width) * float64(f.height) * each
}

// readJPEG walks the segments (ITU-T T.81, B.1.1) up to the scan.
func readJPEG(b []byte) (f jpegFacts) {
	f.turn = 1
	for i := 2; i+4 <= len(b) && b[i] == 0xff; {
		marker := b[i+1]
		switch {
		case marker == 0xff: // a fill byte
			i++
			continue
		case marker == 0x01 || marker >= 0xd0 && marker <= 0xd8: // alone
			i += 2
			continue
		case marker == 0xda || marker == 0xd9:
			return f
		}
		n := int(binary.BigEndian.Uint16(b[i+2:]))
		if n < 2 || i+2+n > len(b) {
			return f
		}
		body := b[i+4 : i+2+n]
		switch {
		case marker == 0xe1:
			if tiff, ok := bytes.CutPrefix(body, []byte("Exif\x00\x00")); ok {
				f.turn = orientation(tiff)
			}
		case marker >= 0xc0 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc && f.width == 0:
			f.frame(body)
			f.progressive = marker == 0xc2
		}
		i += 2 + n
	}
	return f
}

// frame reads a frame's header (B.2.2).
func (f *jpegFacts) frame(body []byte) {
	if len(body) < 6 || len(body) < 6+3*int(body[5]) {
		return
	}
	var most, all float64
	for i := range int(body[5]) {
		each := float64(body[7+3*i]>>4) * float64(body[7+3*i]&15)
		most, all = max(most, each), all+each
	}
	if most == 0 {
		return
	}
	f.height, f.width = int(binary.BigEndian.Uint16(body[1:])), int(binary.BigEndian.Uint16(body[3:]))
	f.samples = all / most
}

// orientation is the tag 0x0112 of EXIF's first directory (TIFF 6.0, section 2); 1 where it says nothing.
func orientation(tiff []byte) int {
	var order binary.ByteOrder = binary.LittleEndian
	switch {
	case bytes.HasPrefix(tiff, []byte("MM\x00\x2a")):
		order = binary.BigEndian
	case !bytes.HasPrefix(tiff, []byte("II\x2a\x00")):
		return 1
	}
	if len(tiff) < 8 {
		return 1
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 1
	}
	entries := tiff[at+2:]
	for range order.Uint16(tiff[at:]) {
		if len(entries) < 12 {
			return 1
		}
		if order.Uint16(entries) == 0x0112 {
			if turn := int(order.Uint16(entries[8:])); turn >= 1 && turn <= 8 {
				return turn
			}
			return 1
		}
		entries = entries[12:]
	}
	return 1
}

// photo serves a picture by its name, which is the hash of it: it never changes.
func (s *screens) photo(w http.ResponseWriter, r *http.Request) {
	name, ok := strings.CutSuffix(r.PathValue("photo"), ".jpg")
	if !ok || !rules.IsPhotoName(name) {
		s.refuse(w, r, http.StatusNotFound, "refused.photo")
		return
	}
	picture, err := s.box.Photo(r.Context(), name)
	if err != nil {
		s.notRead(r.Context(), "a photo could not be read", "photo", name, "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.photo")
		return
	}
	if picture == nil {
		s.refuse(w, r, http.StatusNotFound, "refused.photo")
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Cache-Control", "private, max-age=31536000, immutable")
	w.Header().Set("ETag", `"`+name+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(picture))
}
