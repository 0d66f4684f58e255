package photos

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"net/http"

	"github.com/bep/imagemeta"
	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/webp"

	"dewline"
)

// Limits and sizes.
const (
	maxPixels   = 60_000_000 // what phones take; decoding takes four bytes of memory for each
	longestSide = 2048       // in which a data plate is legible
	smallSide   = 360
	quality     = 85
)

// format is a kind of picture that is taken.
type format struct {
	name   string
	meta   imagemeta.ImageFormat
	config func(*bytes.Reader) (image.Config, error)
	decode func(*bytes.Reader) (image.Image, error)
}

// formats are those by the type that the bytes show, whatever name or type came with them.
var formats = map[string]format{
	"image/jpeg": {"JPEG", imagemeta.JPEG,
		func(r *bytes.Reader) (image.Config, error) { return jpeg.DecodeConfig(r) },
		func(r *bytes.Reader) (image.Image, error) { return jpeg.Decode(r) }},
	"image/png": {"PNG", imagemeta.PNG,
		func(r *bytes.Reader) (image.Config, error) { return png.DecodeConfig(r) },
		func(r *bytes.Reader) (image.Image, error) { return png.Decode(r) }},
	"image/webp": {"WebP", imagemeta.WebP,
		func(r *bytes.Reader) (image.Config, error) { return webp.DecodeConfig(r) },
		func(r *bytes.Reader) (image.Image, error) { return webp.Decode(r) }},
}

func refuse(text string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: "keep a photo", Err: fmt.Errorf(text, args...)}
}

// normal returns a picture as it is kept, and small. Both are JPEG.
func normal(picture []byte) (whole, small []byte, err error) {
	if len(picture) > dewline.MaxPhotoBytes {
		return nil, nil, refuse("the photo has more than %d MB: send a smaller one", dewline.MaxPhotoBytes>>20)
	}
	f, known := formats[http.DetectContentType(picture)]
	if !known {
		return nil, nil, refuse("this is no photo that can be kept: it must be JPEG, PNG or WebP, whatever its name says")
	}
	config, err := f.config(bytes.NewReader(picture))
	if err != nil {
		return nil, nil, refuse("the photo is damaged: it begins as %s and cannot be read", f.name)
	}
	if config.Width < 1 || config.Height < 1 || config.Width > maxPixels/config.Height {
		return nil, nil, refuse("the photo has %d × %d pixels, more than %d million: send a smaller one", config.Width, config.Height, maxPixels/1_000_000)
	}
	decoded, err := f.decode(bytes.NewReader(picture))
	if err != nil {
		return nil, nil, refuse("the photo is damaged: it begins as %s and breaks off", f.name)
	}
	upright := turned(fitted(decoded, longestSide), orientation(picture, f.meta))
	if whole, err = encoded(upright); err != nil {
		return nil, nil, err
	}
	small, err = encoded(fitted(upright, smallSide))
	return whole, small, err
}

func encoded(picture image.Image) ([]byte, error) {
	var out bytes.Buffer
	err := jpeg.Encode(&out, picture, &jpeg.Options{Quality: quality})
	return out.Bytes(), err
}

// fitted returns the picture on white paper, no side longer than most.
func fitted(picture image.Image, most int) *image.RGBA {
	size := picture.Bounds().Size()
	scale := min(1, float64(most)/float64(max(size.X, size.Y)))
	out := image.NewRGBA(image.Rect(0, 0, max(1, int(float64(size.X)*scale+0.5)), max(1, int(float64(size.Y)*scale+0.5))))
	draw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	xdraw.BiLinear.Scale(out, out.Bounds(), picture, picture.Bounds(), draw.Over, nil)
	return out
}

// orientation returns how the device was held, 1 to 8 as EXIF counts, 1 where it does not say. What
// cannot be read of the notes keeps nobody's picture from being kept.
func orientation(picture []byte, f imagemeta.ImageFormat) int {
	held := 1
	imagemeta.Decode(imagemeta.Options{
		R: bytes.NewReader(picture), ImageFormat: f, Sources: imagemeta.EXIF,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool { return t.Tag == "Orientation" && t.Namespace == "IFD0" },
		HandleTag: func(t imagemeta.TagInfo) error {
			if v, ok := t.Value.(uint16); ok && v >= 1 && v <= 8 {
				held = int(v)
			}
			return nil
		},
	})
	return held
}

// turned undoes an orientation: EXIF tells where the first row and column of the stored picture belong.
func turned(in *image.RGBA, orientation int) *image.RGBA {
	if orientation == 1 {
		return in
	}
	w, h := in.Rect.Dx(), in.Rect.Dy()
	from := map[int]func(x, y int) (int, int){ // the stored pixel that belongs at x, y
		2: func(x, y int) (int, int) { return w - 1 - x, y },
		3: func(x, y int) (int, int) { return w - 1 - x, h - 1 - y },
		4: func(x, y int) (int, int) { return x, h - 1 - y },
		5: func(x, y int) (int, int) { return y, x },
		6: func(x, y int) (int, int) { return y, h - 1 - x },
		7: func(x, y int) (int, int) { return w - 1 - y, h - 1 - x },
		8: func(x, y int) (int, int) { return w - 1 - y, x },
	}[orientation]
	width, height := w, h
	if orientation >= 5 {
		width, height = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			out.SetRGBA(x, y, in.RGBAAt(from(x, y)))
		}
	}
	return out
}
