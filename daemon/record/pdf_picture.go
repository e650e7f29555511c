package record

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"

	"codeberg.org/go-pdf/fpdf"
)

const pictureHeight = 190 // at most, in points

// pictureBudget is what all photos of a paper may take, in bytes: a record
// that goes by mail is to stay under 2 MB.
const pictureBudget = 1_200_000

func (s *sheet) pictures(blocks []Block) {
	const gutter = 16
	w := (s.width() - gutter) / 2
	type laid struct {
		name    string
		w, h    float64
		caption []textLine
		problem string
	}
	var row []laid
	highest := 0.0
	for _, b := range blocks {
		p := b.(Picture)
		var l laid
		info, name, err := s.image(p)
		if err != nil {
			l.problem = "This photo cannot be shown: " + err.Error() + "."
			l.h = 3 * smallStyle.line()
		} else {
			scale := min(w/info.Width(), pictureHeight/info.Height())
			l.name, l.w, l.h = name, hundredth(info.Width()*scale), hundredth(info.Height()*scale)
		}
		l.caption = s.wrap(p.Caption, smallStyle, w)
		l.caption = l.caption[:min(8, len(l.caption))]
		highest = max(highest, l.h+4+float64(len(l.caption))*smallStyle.line())
		row = append(row, l)
	}
	s.gap(8)
	s.room(highest)
	for i, l := range row {
		x := s.left() + float64(i)*(w+gutter)
		if l.name == "" {
			for j, t := range s.wrap(l.problem, smallStyle, w) {
				s.set(x, s.y+float64(j)*smallStyle.line()+smallStyle.size, smallStyle, t)
			}
		} else {
			s.f.ImageOptions(l.name, hundredth(x), hundredth(s.y), l.w, l.h, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
		}
		for j, t := range l.caption {
			s.set(x, s.y+l.h+4+float64(j)*smallStyle.line()+smallStyle.size, smallStyle, t)
		}
	}
	s.y, s.fresh = s.y+highest, false
}

// image brings a photo into the file, once, as small as its share of the
// budget asks.
func (s *sheet) image(p Picture) (*fpdf.ImageInfoType, string, error) {
	data, err := p.Read()
	if err != nil { // the journal's fault and not the photo's
		s.f.SetError(err)
		return nil, "", err
	}
	name := fmt.Sprintf("photo-%x", sha256.Sum256(data))
	if info := s.f.GetImageInfo(name); info != nil {
		return info, name, nil
	}
	small, err := shrink(data, pictureBudget/max(1, s.doc.pictures()))
	if err != nil {
		return nil, "", err
	}
	info := s.f.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(small))
	if err := s.f.Error(); err != nil {
		s.f.ClearError()
		return nil, "", err
	}
	return info, name, nil
}

// shrink makes a JPEG no greater than its share, as far as it can still be
// read: 1,000 points over half a page are more than a printer shows.
func shrink(data []byte, share int) ([]byte, error) {
	config, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	if config.Width < 1 || config.Height < 1 || config.Width > 40_000_000/config.Height {
		return nil, fmt.Errorf("it says that it is %d by %d points", config.Width, config.Height)
	}
	img, err := jpeg.Decode(bytes.NewReader(data)) // also so that a torn file is known here, not by who opens the PDF
	if err != nil {
		return nil, err
	}
	if len(data) <= share {
		return data, nil
	}
	for _, longest := range []int{1000, 800, 640, 480, 360} {
		var out bytes.Buffer
		if err := jpeg.Encode(&out, scaled(img, longest), &jpeg.Options{Quality: 72}); err != nil {
			return nil, err
		}
		data = out.Bytes()
		if len(data) <= share {
			break
		}
	}
	return data, nil
}

// scaled makes an image's longer side so many points at most: each the mean of
// those it stands for, in whole numbers, alike on every machine.
func scaled(img image.Image, longest int) image.Image {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	if max(w, h) <= longest {
		return img
	}
	tw, th := max(1, w*longest/max(w, h)), max(1, h*longest/max(w, h))
	out := image.NewRGBA(image.Rect(0, 0, tw, th))
	for y := range th {
		y0, y1 := y*h/th, (y+1)*h/th
		for x := range tw {
			x0, x1 := x*w/tw, (x+1)*w/tw
			var r, g, bl, n uint64
			for sy := y0; sy < y1; sy++ {
				for sx := x0; sx < x1; sx++ {
					pr, pg, pb, _ := img.At(b.Min.X+sx, b.Min.Y+sy).RGBA()
					r, g, bl, n = r+uint64(pr), g+uint64(pg), bl+uint64(pb), n+1
				}
			}
			out.SetRGBA(x, y, color.RGBA{uint8(r / n >> 8), uint8(g / n >> 8), uint8(bl / n >> 8), 255})
		}
	}
	return out
}
