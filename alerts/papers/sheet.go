package papers

import (
	"bytes"
	"fmt"
	"sort"
	"strings"
	"time"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"dewline"
)

// The face and its sizes in points: three, as on the screens.
const (
	face  = "sans"
	small = 8.0
	plain = 9.5
	large = 16.0
)

// Lengths in mm.
const (
	margin  = 18.0
	line    = 4.6 // of plain text
	rowLine = 4.2 // of a table
	cellPad = 3.0
)

// sheet lays out one document from top to bottom.
type sheet struct {
	pdf   *fpdf.Fpdf
	zone  *time.Location
	width float64 // between the margins
}

// newSheet begins a document. Everything that a PDF says of time is at.
func newSheet(title, subject string, at dewline.Millis, zone *time.Location, u dewline.Units) *sheet {
	size := "A4"
	if u == dewline.USUnits {
		size = "Letter"
	}
	if zone == nil {
		zone = time.UTC
	}
	pdf := fpdf.New("P", "mm", size, "")
	s := &sheet{pdf: pdf, zone: zone}
	pdf.SetCreationDate(at.Time())
	pdf.SetModificationDate(at.Time())
	pdf.SetCatalogSort(true) // else the order of a map is in the bytes
	pdf.SetProducer("Dewline", true)
	pdf.SetTitle(clean(title+", "+subject), true)
	pdf.SetLang("en")
	pdf.AddUTF8FontFromBytes(face, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(face, "B", liberationsansbold.TTF)
	pdf.SetCellMargin(0)
	pdf.SetMargins(margin, margin, margin)
	pdf.SetAutoPageBreak(true, margin+6)
	pdf.AliasNbPages("{pages}")
	s.font("", small)
	foot := clip(s, clean(strings.Join(strings.Fields(title+", "+subject), " ")), 80)
	pdf.SetFooterFunc(func() {
		pdf.SetY(-margin)
		s.font("", small)
		w := s.width / 2
		pdf.CellFormat(w, line, fmt.Sprintf("page %d of {pages}    %s", pdf.PageNo(), foot), "", 0, "L", false, 0, "")
		pdf.CellFormat(w, line, "made "+s.time(dewline.Stamp(at)), "", 0, "R", false, 0, "")
	})
	w, _ := pdf.GetPageSize()
	s.width = w - 2*margin
	pdf.AddPage()
	s.font("B", large)
	pdf.MultiCell(0, 7.5, clean(title), "", "L", false)
	return s
}

// bytes ends the document.
func (s *sheet) bytes() ([]byte, error) {
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		return nil, &dewline.Error{Code: dewline.Internal, Op: "make a PDF", Err: err}
	}
	return b.Bytes(), nil
}

func (s *sheet) font(style string, size float64) { s.pdf.SetFont(face, style, size) }

// inFont is for what measures text.
func (s *sheet) inFont(style string, size float64) *sheet {
	s.font(style, size)
	return s
}

// time writes an instant in the site's zone, which it names.
func (s *sheet) time(at dewline.Stamp) string {
	if at == 0 {
		return "not recorded"
	}
	return at.Time().In(s.zone).Format("2006-01-02 15:04 MST")
}

// clock writes an instant without its zone, for columns whose heading has it.
func (s *sheet) clock(at dewline.Stamp) string {
	if at == 0 {
		return ""
	}
	return at.Time().In(s.zone).Format("01-02 15:04")
}

// room begins a new page unless there is so much room left.
func (s *sheet) room(height float64) {
	_, page := s.pdf.GetPageSize()
	if s.pdf.GetY()+height > page-margin-6 {
		s.pdf.AddPage()
	}
}

// heading begins a part, and stays on the page of what follows.
func (s *sheet) heading(text string) {
	s.room(28)
	s.pdf.Ln(4)
	y := s.pdf.GetY()
	s.pdf.SetLineWidth(0.35)
	s.pdf.Line(margin, y, margin+s.width, y)
	s.pdf.Ln(1.6)
	s.font("B", plain+1.5)
	s.pdf.MultiCell(0, 5.6, clean(text), "", "L", false)
	s.pdf.Ln(0.8)
}

// label is the name of a table or chart within a part.
func (s *sheet) label(text string) {
	s.room(22)
	s.pdf.Ln(1.8)
	s.font("B", plain)
	s.pdf.MultiCell(0, line, clean(text), "", "L", false)
	s.pdf.Ln(0.6)
}

func (s *sheet) text(text string) {
	s.font("", plain)
	s.pdf.MultiCell(0, line, clean(text), "", "L", false)
	s.pdf.Ln(0.6)
}

func (s *sheet) note(text string) {
	s.font("", small)
	s.pdf.MultiCell(0, 3.8, clean(text), "", "L", false)
	s.pdf.Ln(0.6)
}

// list writes sentences one below the other.
func (s *sheet) list(texts []string) {
	s.font("", plain)
	for _, t := range texts {
		s.pdf.SetX(margin)
		s.pdf.CellFormat(4, line, "\u2013", "", 0, "L", false, 0, "")
		s.pdf.MultiCell(0, line, clean(t), "", "L", false)
	}
	s.pdf.Ln(0.6)
}

// facts writes names and values; those without a value are left out.
func (s *sheet) facts(pairs ...[2]string) {
	for _, p := range pairs {
		if p[1] == "" {
			continue
		}
		lines := s.inFont("", plain).wrapped(p[1], s.width-46)
		s.room(min(float64(len(lines))*line, 40))
		for i, text := range lines {
			s.room(line)
			name := ""
			if i == 0 {
				name = p[0]
			}
			s.font("B", plain)
			s.pdf.CellFormat(46, line, clean(name), "", 0, "L", false, 0, "")
			s.font("", plain)
			s.pdf.CellFormat(0, line, text, "", 1, "L", false, 0, "")
		}
	}
	s.pdf.Ln(0.8)
}

// column of a table: its heading, its share of the width, and L or R for words or numbers.
type column struct {
	head  string
	share float64
	align string
}

// table writes rows under headings, which are repeated on a new page.
func (s *sheet) table(columns []column, rows [][]string) {
	total := 0.0
	for _, c := range columns {
		total += c.share
	}
	widths := make([]float64, len(columns))
	heads := make([]string, len(columns))
	for i, c := range columns {
		widths[i], heads[i] = c.share/total*s.width, c.head
	}
	head := func() {
		s.row(columns, widths, heads, "B")
		y := s.pdf.GetY()
		s.pdf.SetLineWidth(0.25)
		s.pdf.Line(margin, y, margin+s.width, y)
		s.pdf.Ln(0.5)
	}
	if len(rows) > 0 { // a heading stays with what it is of
		s.room(s.height(widths, heads, "B") + s.height(widths, rows[0], "") + 1)
	}
	head()
	for _, row := range rows {
		page := s.pdf.PageNo()
		if s.room(s.height(widths, row, "")); s.pdf.PageNo() != page {
			head()
		}
		s.row(columns, widths, row, "")
	}
	s.pdf.Ln(1.2)
}

func (s *sheet) height(widths []float64, row []string, style string) float64 {
	s.font(style, plain-1)
	most := 1
	for i, text := range row {
		most = max(most, len(s.wrapped(text, widths[i]-cellPad)))
	}
	return min(float64(most)*rowLine, 60) // a longer one begins where it is
}

// row writes one row, line by line, so that one that is longer than a page goes on on the next.
func (s *sheet) row(columns []column, widths []float64, row []string, style string) {
	s.font(style, plain-1)
	cells, most := make([][]string, len(row)), 0
	for i, text := range row {
		cells[i] = s.wrapped(text, widths[i]-cellPad)
		most = max(most, len(cells[i]))
	}
	for j := range most {
		s.room(rowLine)
		s.font(style, plain-1)
		x, y := margin, s.pdf.GetY()
		for i, lines := range cells {
			if j < len(lines) {
				s.pdf.SetXY(x, y)
				s.pdf.CellFormat(widths[i]-cellPad, rowLine, lines[j], "", 0, columns[i].align, false, 0, "")
			}
			x += widths[i]
		}
		s.pdf.SetXY(margin, y+rowLine)
	}
}

// wrapped breaks text into lines of the font that is set. A word that is too long is broken.
func (s *sheet) wrapped(text string, width float64) (lines []string) {
	for paragraph := range strings.SplitSeq(clean(text), "\n") {
		now := ""
		for word := range strings.FieldsSeq(paragraph) {
			for s.pdf.GetStringWidth(word) > width-0.2 {
				if now != "" {
					lines, now = append(lines, now), ""
				}
				part := clip(s, word, width-0.2)
				if part == "" { // not even one letter fits
					part = string([]rune(word)[:1])
				}
				lines, word = append(lines, part), strings.TrimPrefix(word, part)
			}
			if next := strings.TrimPrefix(now+" "+word, " "); s.pdf.GetStringWidth(next) <= width-0.2 {
				now = next
			} else {
				lines, now = append(lines, now), word
			}
		}
		lines = append(lines, now)
	}
	return lines
}

// clip returns the beginning of text that fits, found by halving: what people type can be long.
func clip(s *sheet, text string, width float64) string {
	if s.pdf.GetStringWidth(text) <= width {
		return text
	}
	runes := []rune(text)
	n := sort.Search(len(runes), func(n int) bool { return s.pdf.GetStringWidth(string(runes[:n+1])) > width })
	return string(runes[:n])
}

// signature is a line to sign on, with the name where one is known.
func (s *sheet) signature(role, name, more string) {
	s.room(20)
	s.pdf.Ln(11)
	y := s.pdf.GetY()
	s.pdf.SetLineWidth(0.25)
	s.pdf.Line(margin, y, margin+s.width*0.46, y)
	s.pdf.Line(margin+s.width*0.54, y, margin+s.width, y)
	s.font("", small)
	s.pdf.CellFormat(s.width*0.54, line, clean(strings.TrimSuffix(role+": "+name, ": ")), "", 0, "L", false, 0, "")
	s.pdf.CellFormat(0, line, clean(more), "", 1, "L", false, 0, "")
}

// caution stands in every paper that says what was or is to be done.
func (s *sheet) caution(more ...string) {
	s.heading("Caution")
	s.text(strings.Join(append([]string{dewline.Caution}, more...), " "))
}

// clean makes text from anywhere fit for a page: valid, without control characters but line feeds, and
// within what the format's fonts can number.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case r == '\t':
			return ' '
		case r > 0xffff:
			return unicode.ReplacementChar
		case unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(strings.ReplaceAll(text, "\r\n", "\n"), "\uFFFD"))
}
