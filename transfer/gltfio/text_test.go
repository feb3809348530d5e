package gltfio

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// lookCounter is a context that ends after so many looks at it.
type lookCounter struct {
	context.Context
	left int
}

func (c *lookCounter) Err() error {
	if c.left--; c.left < 0 {
		return context.Canceled
	}
	return nil
}

func decodeNumbers(t *testing.T, text []byte) map[string]any {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var tree map[string]any
	if err := d.Decode(&tree); err != nil {
		t.Fatalf("%v in %.200s", err, text)
	}
	return tree
}

func longData(n int) string {
	return "data:application/octet-stream;base64," + base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{0xF0, 0x0B, 0xA4}, n))
}

// TestLift_SameTree: a text whose long data URIs were taken out, decoded, and put
// back is the same as the text decoded by the library; and encoded it has the
// library's own bytes.
func TestLift_SameTree(t *testing.T) {
	long := longData(4000)
	for _, c := range []struct {
		name, text string
		taken      int
	}{
		{"none", `{"asset":{"version":"2.0"}}`, 0},
		{"short", `{"buffers":[{"uri":"data:,abc"}]}`, 0},
		{"one", `{"buffers":[{"uri":"` + long + `","byteLength":3}]}`, 1},
		{"several, spaced", `{"buffers":[{ "uri" : "` + long + `"}, {"uri"` + "\n\t:\r " + `"` + long + `X"}],"images":[{"uri":"` + long + `Y"}]}`, 3},
		{"percent", `{"images":[{"uri":"data:text/plain,` + strings.Repeat("%20a", 2000) + `"}]}`, 1},
		{"a name", `{"nodes":[{"name":"` + long + `"}]}`, 0},
		{"a member's name", `{"` + long + `":{"uri":1}}`, 0},
		{"in a list", `{"uri":["` + long + `"]}`, 0},
		{"escapes", `{"images":[{"uri":"` + long + `\u0041\/"}]}`, 0},
		{"bytes that are escaped when written", `{"images":[{"uri":"` + long + `<&>"}]}`, 0},
		{"inside a string", `{"extras":"say \"uri\":\"` + long + `\" now"}`, 0},
		{"marks of its own", `{"images":[{"uri":"data:taken-out-0,0."},{"uri":"` + long + `"},{"uri":"data:taken-out-0,1."}]}`, 1},
		{"not ASCII", `{"images":[{"uri":"` + long + `é"}],"buffers":[{"uri":"` + long + `"}]}`, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			short, l, err := lift(t.Context(), []byte(c.text))
			if err != nil || len(l.uri) != c.taken {
				t.Fatalf("%d taken out, want %d; %v", len(l.uri), c.taken, err)
			}
			if c.taken > 0 && len(short) > len(c.text)-c.taken*longURI+100 {
				t.Errorf("%d bytes are left of %d", len(short), len(c.text))
			}
			got, want := decodeNumbers(t, short), decodeNumbers(t, []byte(c.text))
			l.putBack(got)
			if !reflect.DeepEqual(got, want) {
				t.Error("the trees differ")
			}
			plain, err := json.Marshal(want)
			if err != nil {
				t.Fatal(err)
			}
			a := &Asset{}
			p, err := a.encodeTree(want)
			if err != nil {
				t.Fatal(err)
			}
			if text, _ := a.join(p, nil, 1); !bytes.Equal(text, plain) {
				t.Errorf("encoded:\n%.300s\nwant\n%.300s", text, plain)
			}
			if !reflect.DeepEqual(want, decodeNumbers(t, []byte(c.text))) {
				t.Error("encoding changed the tree")
			}
		})
	}
}

// TestLift_BrokenText: what is no JSON is none either once data URIs are taken out.
func TestLift_BrokenText(t *testing.T) {
	long := longData(4000)
	for _, text := range []string{
		`{"buffers":[{"uri":"` + long, `{"uri":"` + long + `"`, `{"a":"b""uri":"` + long + `"}`, `{"uri":"` + long + `" "x"}`, `"uri":"` + long + `"`,
	} {
		short, _, err := lift(t.Context(), []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		if json.Valid(short) || json.Valid([]byte(text)) {
			t.Errorf("%.60s... is valid", text)
		}
	}
}

// TestParse_DataURIs: buffers and images as long data URIs read and write as the
// same asset does with its bytes in a binary chunk.
func TestParse_DataURIs(t *testing.T) {
	b := garment()
	b.bin = append(b.bin, make([]byte, 3*step)...) // several pieces of base64
	image := longData(5000)
	b.add("images", obj{"uri": image, "name": "chart"})
	text, file := b.json(), b.glb()
	for name, data := range map[string][]byte{
		"padding left out": bytes.Replace(text, []byte(`=="`), []byte(`"`), 1),
		"as written":       text,
	} {
		one, err := Parse(data, "x", Options{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		other, err := Parse(file, "x", Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got := one.doc.Images[1].URI; got != image {
			t.Errorf("%s: the image's URI is %.60s", name, got)
		}
		var x, y bytes.Buffer
		if err := errors.Join(one.Encode(&x), other.Encode(&y)); err != nil {
			t.Fatal(err)
		}
		// The binary chunk of y is padded, its buffer says so too.
		back, err := Parse(x.Bytes(), "x", Options{})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(back.buffers[0]); !bytes.Equal(back.buffers[0], other.buffers[0][:n]) || len(other.buffers[0])-n > 3 {
			t.Errorf("%s: the buffers differ", name)
		}
		if back.doc.Images[1].URI != image {
			t.Errorf("%s: the image is lost", name)
		}
	}
	for _, bad := range []struct{ what, find, put string }{
		{"a letter that is none", ";base64,AAAA", ";base64,A-AA"},
		{"padding in the middle", ";base64,", ";base64,AA=="},
	} {
		broken := bytes.Replace(text, []byte(bad.find), []byte(bad.put), 1)
		if bytes.Equal(broken, text) {
			t.Fatalf("%s: nothing to spoil", bad.what)
		}
		var e *Error
		if _, err := Parse(broken, "x", Options{}); !errors.As(err, &e) || !strings.Contains(e.What, "base64") {
			t.Errorf("%s: %v", bad.what, err)
		}
	}
}

// TestContext_EveryLook: an asset of large data URIs is read, written and encoded
// under contexts that end at one look after the other; each gives the context's
// error and nothing else.
func TestContext_EveryLook(t *testing.T) {
	const seed = 3
	rng := rand.New(rand.NewPCG(seed, 1))
	b := garment()
	b.bin = append(b.bin, make([]byte, 5*step)...)
	b.add("images", obj{"uri": longData(3 * step / 4)})
	text := b.json()
	bb := newBuilder()
	bb.body()
	body := bb.parse(t)
	src, err := body.Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	whole := func(ctx context.Context) ([]byte, error) {
		a, err := ParseContext(ctx, text, "x", Options{})
		if err != nil {
			return nil, err
		}
		a = a.WithContext(ctx)
		s, err := a.Garment(Selection{})
		if err != nil {
			return nil, err
		}
		out, _, err := a.WithRows(s, body, src, Output{Rows: even(s.Mesh.NumVertices(), []uint16{0, 1}, []float64{0.25, 0.75})})
		if err != nil {
			return nil, err
		}
		var file bytes.Buffer
		err = out.WithContext(ctx).Encode(&file)
		return file.Bytes(), err
	}
	const many = 1 << 30
	count := &lookCounter{t.Context(), many}
	want, err := whole(count)
	if err != nil {
		t.Fatal(err)
	}
	looks := many - count.left
	if looks < 40 {
		t.Fatalf("only %d looks", looks)
	}
	for n := 0; n < looks; n += 1 + rng.IntN(1+looks/60) {
		if _, err := whole(&lookCounter{t.Context(), n}); !errors.Is(err, context.Canceled) {
			t.Fatalf("seed %d: ended at look %d of %d: %v", seed, n, looks, err)
		}
	}
	if got, err := whole(t.Context()); err != nil || !bytes.Equal(got, want) {
		t.Errorf("without an end: %v, same bytes %v", err, bytes.Equal(got, want))
	}
}
