package papers_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"strings"
	"testing"

	"dewline"
)

// pictures has one photo and cannot read others.
type pictures []byte

func (p pictures) KeepPhoto(context.Context, string, []byte) (dewline.Photo, error) {
	return dewline.Photo{}, &dewline.Error{Code: dewline.Unavailable}
}

func (p pictures) KeepOnly(context.Context, string, []string) error { return nil }

func (p pictures) PhotoOf(_ context.Context, _, digest string, small bool) ([]byte, error) {
	if digest != "first" || !small {
		return nil, &dewline.Error{Code: dewline.NotFound}
	}
	return p, nil
}

// TestPhotosInThePack: a photo is in the pack as it is kept, with its note, and one that cannot be read is
// counted.
func TestPhotosInThePack(t *testing.T) {
	var picture bytes.Buffer
	m := image.NewGray(image.Rect(0, 0, 36, 18))
	m.SetGray(3, 3, color.Gray{200})
	if err := jpeg.Encode(&picture, m, nil); err != nil {
		t.Fatal(err)
	}
	v := visit()
	v.Photos = []dewline.Photo{{Digest: "first", Note: "Data plate (outdoor) <b>"}, {Digest: "second"}}
	d := desk()
	d.Calls = service{cases: []dewline.CallCase{{Call: call(), Visits: []dewline.Visit{v}}}}
	d.Photos = pictures(picture.Bytes())
	p, err := d.ClosingPack(t.Context(), "call-7", dewline.MetricUnits)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "closing-photos.pdf", p.Body)
	if n := bytes.Count(p.Body, picture.Bytes()); n != 1 {
		t.Errorf("the picture is in the pack %d times", n)
	}
	wantWords(t, strings.Join(textOf(t, p.Body), " "), "Data plate (outdoor) <b>", "cannot be read at the moment: 1 of 2")
}
