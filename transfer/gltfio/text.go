package gltfio

// Text: the JSON of an asset may hold all of its bytes as data URIs, tens of
// megabytes that the JSON library would walk through several times without a
// pause. They are taken out of the text before it is decoded, and put in again
// after it is encoded.

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/url"
	"strconv"
	"strings"
)

// longURI is the length from which a data URI is taken out.
const longURI = 4096

// plainByte tells which bytes stand in a JSON string as themselves, as this
// package's writer and every other one would put them: those of RFC 2397 URIs that
// are base64 or percent-coded.
var plainByte = func() (t [256]bool) {
	for c := range t {
		t[c] = c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || strings.IndexByte("+/=;:,.-_~%", byte(c)) >= 0
	}
	return t
}()

// plain reports whether s is nothing but plain bytes.
func plain[T string | []byte](ctx context.Context, s T) (bool, error) {
	for i := 0; i < len(s); i++ {
		if i%step == 0 && ctx.Err() != nil {
			return false, ctx.Err()
		}
		if !plainByte[s[i]] {
			return false, nil
		}
	}
	return true, nil
}

// lifted are the data URIs taken out of a text. In their place stand mark, a
// number, and a full stop.
type lifted struct {
	mark string
	uri  []string
}

// lift takes the long data URIs that are members called uri out of a JSON text.
// text is not changed.
func lift(ctx context.Context, text []byte) (short []byte, l *lifted, err error) {
	l = &lifted{}
	for k := 0; l.mark == "" || bytes.Contains(text, []byte(l.mark)); k++ {
		l.mark = "data:taken-out-" + strconv.Itoa(k) + ","
	}
	rest := 0 // what stands before is in short
	for at := 0; ; {
		i := bytes.Index(text[at:], []byte(`"data:`))
		if i < 0 {
			break
		}
		open := at + i + 1
		n := bytes.IndexByte(text[open:], '"')
		if n < 0 {
			break
		}
		at = open + n
		if n < longURI || !isURI(text[:open-1]) {
			at = open
			continue
		}
		ok, err := plain(ctx, text[open:at])
		if err != nil {
			return nil, nil, err
		}
		if !ok {
			continue
		}
		short = append(short, text[rest:open]...)
		short = append(short, l.place(len(l.uri))...)
		var b strings.Builder
		b.Grow(n)
		for p := open; p < at; p += step {
			if ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			b.Write(text[p:min(at, p+step)])
		}
		l.uri = append(l.uri, b.String())
		rest = at
	}
	if rest == 0 {
		return text, l, nil
	}
	return append(short, text[rest:]...), l, nil
}

// isURI reports whether a text ends with the name of a member called uri and the
// colon behind it.
func isURI(text []byte) bool {
	text = bytes.TrimRight(text, " \t\r\n")
	text, ok := bytes.CutSuffix(text, []byte(":"))
	return ok && bytes.HasSuffix(bytes.TrimRight(text, " \t\r\n"), []byte(`"uri"`))
}

func (l *lifted) place(i int) string { return l.mark + strconv.Itoa(i) + "." }

// original returns the data URI that s stands for, or s.
func (l *lifted) original(s string) string {
	if n, ok := strings.CutPrefix(s, l.mark); ok {
		if i, err := strconv.Atoi(strings.TrimSuffix(n, ".")); err == nil && i < len(l.uri) {
			return l.uri[i]
		}
	}
	return s
}

// putBack replaces what stands for a data URI in a JSON tree.
func (l *lifted) putBack(v any) {
	if len(l.uri) == 0 {
		return
	}
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			if s, ok := y.(string); ok {
				x[k] = l.original(s)
			} else {
				l.putBack(y)
			}
		}
	case []any:
		for _, y := range x {
			l.putBack(y)
		}
	}
}

// ShortText returns the JSON text of an asset with a few bytes in the place of each
// long data URI, for those who want to know how an asset is built and not what is
// in its buffers.
func ShortText(ctx context.Context, text []byte) ([]byte, error) {
	short, _, err := lift(ctx, text)
	return short, err
}

// encodeTree is json.Marshal of a tree that may hold long data URIs, in pieces. The
// tree is not changed.
func (a *Asset) encodeTree(tree map[string]any) (*pieces, error) {
	l := &lifted{}
	var out func(v any) any // a copy with the long URIs taken out
	var failed error
	out = func(v any) any {
		switch x := v.(type) {
		case map[string]any:
			m := make(map[string]any, len(x))
			for k, y := range x {
				m[k] = out(y)
				if s, ok := y.(string); ok && k == "uri" && len(s) >= longURI && strings.HasPrefix(s, "data:") {
					ok, err := plain(a.context(), s)
					if err != nil {
						failed = err
					}
					if ok {
						m[k] = l.place(len(l.uri))
						l.uri = append(l.uri, s)
					}
				}
			}
			return m
		case []any:
			s := make([]any, len(x))
			for i, y := range x {
				s[i] = out(y)
			}
			return s
		}
		return v
	}
	for k := 0; ; k++ {
		l.mark, l.uri = "data:taken-out-"+strconv.Itoa(k)+",", nil
		text, err := json.Marshal(out(tree))
		if err == nil {
			err = failed
		}
		if err != nil {
			return nil, err
		}
		if bytes.Count(text, []byte(l.mark)) != len(l.uri) {
			continue // the tree has such a string of its own
		}
		p := &pieces{}
		for range l.uri {
			i := bytes.Index(text, []byte(l.mark))
			n := bytes.IndexByte(text[i:], '.') + 1
			p.add(text[:i], []byte(l.original(string(text[i:i+n]))))
			text = text[i+n:]
		}
		p.add(text)
		return p, nil
	}
}

// dataURI decodes the payload of a data: URI (RFC 2397), base64 or percent-coded.
func (a *Asset) dataURI(uri string) ([]byte, error) {
	head, body, ok := strings.Cut(uri, ",")
	if !ok {
		return nil, errors.New("its data URI has no data")
	}
	if !strings.HasSuffix(head, ";base64") {
		s, err := url.PathUnescape(body)
		if err != nil {
			return nil, errors.New("its data URI is not valid")
		}
		return []byte(s), nil
	}
	if strings.ContainsAny(body, "\r\n") { // the library passes over these
		body = strings.NewReplacer("\r", "", "\n", "").Replace(body)
	}
	// Whole groups of four letters first; the end may lack its padding.
	out := make([]byte, base64.StdEncoding.DecodedLen(len(body)+3)) // the last group counts as whole
	n := 0
	for len(body) > 0 {
		if a.done(0) {
			return nil, a.ctx.Err()
		}
		part := body[:min(len(body), step)]
		body = body[len(part):]
		k, err := base64.StdEncoding.Decode(out[n:], []byte(part))
		if err != nil && body == "" {
			k, err = base64.RawStdEncoding.Decode(out[n:], []byte(part))
		}
		if err != nil || body != "" && k != step/4*3 {
			return nil, errors.New("its data URI is not valid base64")
		}
		n += k
	}
	return out[:n], nil
}
