package photos

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/bep/imagemeta"

	"dewline"
)

// quarters is a picture whose corners tell how it lies: red, green, blue and white, clockwise from the
// upper left.
func quarters(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{255, 0, 0, 255}
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{0, 255, 0, 255}
			case x >= w/2:
				c = color.RGBA{0, 0, 255, 255}
			case y >= h/2:
				c = color.RGBA{255, 255, 255, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// exif returns an APP1 segment (JEITA CP-3451) with how the device was held, its maker, and where it was.
func exif(orientation uint16) []byte {
	var t bytes.Buffer // a TIFF file, offsets from its beginning
	be := binary.BigEndian
	u16 := func(v ...uint16) { binary.Write(&t, be, v) }
	u32 := func(v ...uint32) { binary.Write(&t, be, v) }
	t.WriteString("MM\x00\x2a")
	u32(8)
	u16(3)              // entries of IFD0, which ends at 8+2+36+4 = 50
	u16(0x010f, 2)      // Make
	u32(16, 50)         //
	u16(0x0112, 3)      // Orientation
	u32(1)              //
	u16(orientation, 0) //
	u16(0x8825, 4)      // GPS IFD
	u32(1, 66)          //
	u32(0)              // no further IFD
	t.WriteString("Secret Maker 123")
	u16(2)         // entries of the GPS IFD, which ends at 66+2+24+4 = 96
	u16(0x0001, 2) // GPSLatitudeRef
	u32(2)         //
	t.WriteString("N\x00\x00\x00")
	u16(0x0002, 5) // GPSLatitude
	u32(3, 96)     //
	u32(0)         //
	u32(38, 1, 42, 1, 4242, 100)
	body := append([]byte("Exif\x00\x00"), t.Bytes()...)
	head := []byte{0xff, 0xe1, 0, 0}
	be.PutUint16(head[2:], uint16(len(body)+2))
	return append(head, body...)
}

func jpegOf(t testing.TB, m image.Image, segments ...[]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	all := append([]byte{}, out.Bytes()[:2]...)
	for _, s := range segments {
		all = append(all, s...)
	}
	return append(all, out.Bytes()[2:]...)
}

func pngOf(t testing.TB, m image.Image) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := png.Encode(&out, m); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func tags(t *testing.T, picture []byte) (all []string) {
	t.Helper()
	err := func() error {
		_, err := imagemeta.Decode(imagemeta.Options{
			R: bytes.NewReader(picture), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF | imagemeta.IPTC | imagemeta.XMP,
			ShouldHandleTag: func(imagemeta.TagInfo) bool { return true },
			HandleTag:       func(i imagemeta.TagInfo) error { all = append(all, i.Tag); return nil },
		})
		return err
	}()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

const visit = "visit-0001"

// TestNothingIsLeftOfTheDevice: place, maker, comments and the device's own notes are gone, and the picture
// stands upright, however the device was held.
func TestNothingIsLeftOfTheDevice(t *testing.T) {
	// Where the red quarter of a picture lies that was stored with each orientation (EXIF 2.32, table 6):
	// 6 means that the stored first row is the right side of what was seen.
	corner := map[uint16][2]bool{ // right, bottom
		1: {false, false}, 2: {true, false}, 3: {true, true}, 4: {false, true},
		5: {false, false}, 6: {true, false}, 7: {true, true}, 8: {false, true},
	}
	for o := uint16(1); o <= 8; o++ {
		in := jpegOf(t, quarters(80, 40), exif(o), []byte("\xff\xfe\x00\x0fcomment, home"))
		if had := tags(t, in); !strings.Contains(strings.Join(had, " "), "GPSLatitude") {
			t.Fatalf("the test's own picture has no place: %v", had)
		}
		f := &Folder{Path: t.TempDir()}
		photo, err := f.KeepPhoto(t.Context(), visit, in)
		if err != nil {
			t.Fatal(err)
		}
		for _, small := range []bool{false, true} {
			out, err := f.PhotoOf(t.Context(), visit, photo.Digest, small)
			if err != nil {
				t.Fatal(err)
			}
			if left := tags(t, out); len(left) > 0 {
				t.Errorf("orientation %d: %v is left", o, left)
			}
			for _, word := range []string{"Exif", "Secret", "comment", "GPS"} {
				if bytes.Contains(out, []byte(word)) {
					t.Errorf("orientation %d: %q is left", o, word)
				}
			}
			m, err := jpeg.Decode(bytes.NewReader(out))
			if err != nil {
				t.Fatal(err)
			}
			size := m.Bounds().Size()
			if tall := size.Y > size.X; tall != (o >= 5) {
				t.Errorf("orientation %d: the picture has %v pixels", o, size)
			}
			x, y := size.X/4, size.Y/4
			if corner[o][0] {
				x = 3 * size.X / 4
			}
			if corner[o][1] {
				y = 3 * size.Y / 4
			}
			if r, g, b, _ := m.At(x, y).RGBA(); r < 0xd000 || g > 0x4000 || b > 0x4000 {
				t.Errorf("orientation %d: red is not at %d, %d", o, x, y)
			}
		}
	}
}

func TestSizes(t *testing.T) {
	f := &Folder{Path: t.TempDir()}
	photo, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(4100, 1000)))
	if err != nil {
		t.Fatal(err)
	}
	for small, want := range map[bool]image.Point{false: {2048, 500}, true: {360, 88}} {
		data, err := f.PhotoOf(t.Context(), visit, photo.Digest, small)
		if err != nil {
			t.Fatal(err)
		}
		c, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil || c.Width != want.X || c.Height != want.Y {
			t.Errorf("small %v: %d × %d, %v", small, c.Width, c.Height, err)
		}
		if !small && photo.Bytes != int64(len(data)) {
			t.Errorf("it is said to have %d bytes and has %d", photo.Bytes, len(data))
		}
	}
	if photo.Type != "image/jpeg" {
		t.Errorf("type %q", photo.Type)
	}
	// Sending again is the same photo, and another visit's is its own.
	again, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(4100, 1000)))
	if err != nil || again != photo {
		t.Errorf("again: %+v %v", again, err)
	}
	if _, err := f.PhotoOf(t.Context(), "visit-0002", photo.Digest, false); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("of another visit: %v", err)
	}
}

// A WebP picture of 1 × 1 pixel, lossy and lossless, as cwebp 1.3 writes it.
var webps = []string{
	"UklGRiQAAABXRUJQVlA4IBgAAAAwAQCdASoBAAEAAgA0JaQAA3AA/vuUAAA=",
	"UklGRhoAAABXRUJQVlA4TA0AAAAvAAAAEAcQERGIiP4HAA==",
}

func TestWebP(t *testing.T) {
	for _, text := range webps {
		data, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := (&Folder{Path: t.TempDir()}).KeepPhoto(t.Context(), visit, data); err != nil {
			t.Error(err)
		}
	}
}

// bomb is the header of a PNG of a size that nobody decodes.
func bomb(t *testing.T, w, h uint32) []byte {
	data := pngOf(t, quarters(2, 2))
	binary.BigEndian.PutUint32(data[16:], w)
	binary.BigEndian.PutUint32(data[20:], h)
	crc := crc32.ChecksumIEEE(data[12:29])
	binary.BigEndian.PutUint32(data[29:], crc)
	return data
}

func TestRefusals(t *testing.T) {
	good := jpegOf(t, quarters(400, 400))
	f := &Folder{Path: t.TempDir()}
	for name, c := range map[string]struct {
		data []byte
		says string
	}{
		"text":      {[]byte("<script>alert(1)</script>"), "JPEG, PNG or WebP"},
		"svg":       {[]byte(`<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>`), "JPEG, PNG or WebP"},
		"pdf":       {[]byte("%PDF-1.7 hello"), "JPEG, PNG or WebP"},
		"gif":       {[]byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), "JPEG, PNG or WebP"},
		"nothing":   {nil, "JPEG, PNG or WebP"},
		"half":      {good[:len(good)/2], "breaks off"},
		"head":      {good[:20], "cannot be read"},
		"too many":  {bomb(t, 60_000, 60_000), "60 million"},
		"overflow":  {bomb(t, 0x7fffffff, 0x7fffffff), "cannot be read"},
		"too large": {make([]byte, dewline.MaxPhotoBytes+1), "20 MB"},
	} {
		_, err := f.KeepPhoto(t.Context(), visit, c.data)
		if dewline.CodeOf(err) != dewline.Invalid || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, id := range []string{"", "..", "../../etc", "short", "a/b/c/d/e/f", strings.Repeat("x", 65), ".hidden-thing"} {
		if _, err := f.KeepPhoto(t.Context(), id, good); dewline.CodeOf(err) != dewline.Invalid {
			t.Errorf("visit %q: %v", id, err)
		}
	}
	for _, digest := range []string{"", "..", "../visit-0001/x", strings.Repeat("A", 64)} {
		if _, err := f.PhotoOf(t.Context(), visit, digest, false); dewline.CodeOf(err) != dewline.NotFound {
			t.Errorf("digest %q: %v", digest, err)
		}
	}
	entries, err := os.ReadDir(f.Path)
	if err != nil || len(entries) > 0 {
		t.Errorf("refused photos left %v, %v", entries, err)
	}
}

func TestVisitIsBounded(t *testing.T) {
	f := &Folder{Path: t.TempDir()}
	for i := range mostPerVisit {
		if _, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(8+i, 8))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(100, 8))); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("one more: %v", err)
	}
	left, err := filepath.Glob(filepath.Join(f.Path, visit, ".new-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left over: %v %v", left, err)
	}
}

// TestKeepOnly: what a visit leaves out is gone, small and whole.
func TestKeepOnly(t *testing.T) {
	f := &Folder{Path: t.TempDir()}
	var kept []dewline.Photo
	for i := range 3 {
		photo, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(8+i, 8)))
		if err != nil {
			t.Fatal(err)
		}
		kept = append(kept, photo)
	}
	for range 2 {
		if err := f.KeepOnly(t.Context(), visit, []string{kept[1].Digest, "of-no-photo"}); err != nil {
			t.Fatal(err)
		}
	}
	for i, photo := range kept {
		for _, small := range []bool{false, true} {
			if _, err := f.PhotoOf(t.Context(), visit, photo.Digest, small); (err == nil) != (i == 1) {
				t.Errorf("photo %d: %v", i, err)
			}
		}
	}
	if err := f.KeepOnly(t.Context(), "visit-without-any", nil); err != nil {
		t.Error(err)
	}
}

// TestDropUnnamed: what no visit names is gone when it is old, and nothing else is.
func TestDropUnnamed(t *testing.T) {
	f := &Folder{Path: t.TempDir()}
	if err := f.DropUnnamed(t.Context(), time.Now(), nil); err != nil {
		t.Fatal(err)
	}
	day := time.Date(2031, 7, 2, 12, 0, 0, 0, time.UTC)
	age := func(visit, pattern string, at time.Time) {
		files, _ := filepath.Glob(filepath.Join(f.Path, visit, pattern))
		if len(files) == 0 {
			t.Fatalf("no %s of %s", pattern, visit)
		}
		for _, file := range files {
			if err := os.Chtimes(file, at, at); err != nil {
				t.Fatal(err)
			}
		}
	}
	keep := func(visit string, size int) string {
		photo, err := f.KeepPhoto(t.Context(), visit, pngOf(t, quarters(size, 8)))
		if err != nil {
			t.Fatal(err)
		}
		return photo.Digest
	}
	named, left, young := keep("visit-named", 8), keep("visit-named", 9), keep("visit-named", 10)
	lost := keep("visit-lost", 8)
	unknown := keep("visit-unknown", 8)
	if err := os.WriteFile(filepath.Join(f.Path, "visit-lost", ".new-1"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, visit := range []string{"visit-named", "visit-lost", "visit-unknown"} {
		age(visit, "*", day.Add(-time.Second))
	}
	age("visit-lost", ".new-1", day.Add(-time.Second))
	age("visit-named", young+"*", day)
	err := f.DropUnnamed(t.Context(), day, func(_ context.Context, visit string) ([]string, error) {
		switch visit {
		case "visit-named":
			return []string{named}, nil
		case "visit-unknown":
			return nil, errors.New("the database does not answer")
		}
		return nil, nil
	})
	if err == nil || !strings.Contains(err.Error(), "visit-unknown") || strings.Contains(err.Error(), "visit-lost") {
		t.Errorf("%v", err)
	}
	for _, p := range []struct {
		visit, digest string
		there         bool
	}{{"visit-named", named, true}, {"visit-named", left, false}, {"visit-named", young, true}, {"visit-lost", lost, false}, {"visit-unknown", unknown, true}} {
		for _, small := range []bool{false, true} {
			if _, err := f.PhotoOf(t.Context(), p.visit, p.digest, small); (err == nil) != p.there {
				t.Errorf("%s %s: %v", p.visit, p.digest[:8], err)
			}
		}
	}
	if _, err := os.Stat(filepath.Join(f.Path, "visit-lost")); !os.IsNotExist(err) {
		t.Errorf("the folder of a visit with nothing left: %v", err)
	}
}

// FuzzNormal: whatever comes in is refused in words or becomes a JPEG.
func FuzzNormal(f *testing.F) {
	f.Add(jpegOf(f, quarters(16, 8), exif(6)))
	f.Add(pngOf(f, quarters(8, 8)))
	for _, text := range webps {
		data, _ := base64.StdEncoding.DecodeString(text)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		if c, _, err := image.DecodeConfig(bytes.NewReader(in)); err == nil && c.Width*c.Height > 1<<20 {
			return // takes long, and proves no more
		}
		whole, small, err := normal(in)
		if err != nil {
			if dewline.CodeOf(err) != dewline.Invalid {
				t.Fatal(err)
			}
			return
		}
		for _, out := range [][]byte{whole, small} {
			if _, err := jpeg.Decode(bytes.NewReader(out)); err != nil {
				t.Fatal(err)
			}
		}
	})
}
