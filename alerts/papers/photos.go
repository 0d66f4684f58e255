package papers

import (
	"bytes"
	"fmt"

	"codeberg.org/go-pdf/fpdf"

	"dewline"
)

// Photos stand in rows of three, each in a box of one size, its note below it.
const (
	photosAcross = 3
	photoGap     = 5.0
	photoHeight  = 46.0
	photoNote    = 2 // lines
)

// photos shows the pictures of a visit, and counts those that cannot be read.
func (d *document) photos(v dewline.Visit, pictures map[string][]byte) {
	if len(v.Photos) == 0 {
		return
	}
	d.label("Photos")
	width := (d.width - (photosAcross-1)*photoGap) / photosAcross
	missing, at, top := 0, 0, 0.0
	for _, p := range v.Photos {
		picture := pictures[p.Digest]
		if picture == nil {
			missing++
			continue
		}
		if at%photosAcross == 0 {
			if at > 0 {
				d.pdf.SetY(top + photoHeight + photoNote*3.8 + photoGap)
			}
			d.room(photoHeight + photoNote*3.8 + photoGap)
			top = d.pdf.GetY()
		}
		d.photo(p, picture, margin+float64(at%photosAcross)*(width+photoGap), top, width)
		at++
	}
	if at > 0 {
		d.pdf.SetY(top + photoHeight + photoNote*3.8 + photoGap)
	}
	if missing > 0 {
		d.note(fmt.Sprintf("Not shown, for they cannot be read at the moment: %d of %d.", missing, len(v.Photos)))
	}
}

func (d *document) photo(p dewline.Photo, picture []byte, x, y, width float64) {
	o := fpdf.ImageOptions{ImageType: "JPEG"} // as every photo is kept
	info := d.pdf.RegisterImageOptionsReader(p.Digest, o, bytes.NewReader(picture))
	if info == nil || info.Width() <= 0 || info.Height() <= 0 {
		return
	}
	scale := min(width/info.Width(), photoHeight/info.Height())
	d.pdf.ImageOptions(p.Digest, x, y, scale*info.Width(), scale*info.Height(), false, o, 0, "")
	d.font("", small)
	for i, text := range d.wrapped(p.Note, width) {
		if i == photoNote {
			break
		}
		d.pdf.SetXY(x, y+scale*info.Height()+0.6+float64(i)*3.8)
		d.pdf.CellFormat(width, 3.8, text, "", 0, "L", false, 0, "")
	}
}
