package chart

import (
	"bytes"
	"fmt"
	"io"
)

// anyFont writes an SVG so that its texts keep their places where the font that they
// were laid out with is missing, which is most computers and all telephones: other
// sans-serif fonts stand in, and each text is made as wide as it was laid out.
type anyFont struct {
	p   *pen
	svg io.WriterTo
}

func (a anyFont) WriteTo(w io.Writer) (int64, error) {
	var b bytes.Buffer
	if _, err := a.svg.WriteTo(&b); err != nil {
		return 0, err
	}
	s := bytes.ReplaceAll(b.Bytes(), []byte("font-family:Liberation Sans;"), []byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif;"))
	open := []byte("<text ") // in a text itself < is escaped
	var out bytes.Buffer
	for _, t := range a.p.texts {
		before, after, ok := bytes.Cut(s, open)
		if !ok {
			return 0, fmt.Errorf("the drawing has not the %d texts that were written on it", len(a.p.texts))
		}
		out.Write(before)
		out.Write(open)
		if wide := t.box.x1 - t.box.x0; wide > 0 {
			fmt.Fprintf(&out, `textLength="%.2f" lengthAdjust="spacingAndGlyphs" `, wide)
		}
		s = after
	}
	out.Write(s)
	return out.WriteTo(w)
}
