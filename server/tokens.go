package server

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/logging"
	"golang.org/x/time/rate"
	"google.golang.org/grpc/metadata"
)

// authError says that a call is not allowed in.
type authError struct{ what string }

func (e *authError) Error() string { return e.what }

// token is one line of the file: a name for the log, and the SHA-256 of the
// secret.
type token struct {
	name string
	hash [sha256.Size]byte
}

// parseTokens reads lines "NAME SHA256HEX"; empty lines and lines that begin
// with # are left out.
func parseTokens(text []byte) ([]token, error) {
	var list []token
	seen := map[string]bool{}
	lines := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		if len(f) != 2 {
			return nil, fmt.Errorf("line %d: want a name and a SHA-256 in hexadecimal digits", n)
		}
		hash, err := hex.DecodeString(f[1])
		if err != nil || len(hash) != sha256.Size {
			return nil, fmt.Errorf("line %d: the hash is not 64 hexadecimal digits", n)
		}
		if seen[f[0]] {
			return nil, fmt.Errorf("line %d: the name was used before", n)
		}
		seen[f[0]] = true
		list = append(list, token{f[0], [sha256.Size]byte(hash)})
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("no token in it")
	}
	return list, nil
}

// tokens checks bearer tokens and their rates. It is safe for concurrent use.
type tokens struct {
	file  *watched[[]token] // nil: no token is asked for
	rate  float64           // 0: no limit
	burst int

	mu       sync.Mutex
	limiters map[string]*rate.Limiter
}

func newTokens(path string, perSecond float64, burst int, log func(string, error)) (*tokens, error) {
	t := &tokens{rate: perSecond, burst: burst, limiters: map[string]*rate.Limiter{}}
	if path == "" {
		return t, nil
	}
	var err error
	t.file, err = watch([]string{path}, func() ([]token, error) {
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		return parseTokens(text)
	}, log)
	return t, err
}

// caller is the name that a bearer token belongs to, "" where none is asked for.
func (t *tokens) caller(header metadata.MD) (string, error) {
	if t.file == nil {
		return "", nil
	}
	scheme, secret, _ := strings.Cut(strings.Join(header.Get("authorization"), ","), " ")
	if !strings.EqualFold(scheme, "bearer") || secret == "" {
		return "", &authError{"a bearer token is needed"}
	}
	// Hashes are compared, in constant time and to the end of the list: how long it
	// takes tells nothing about the tokens.
	hash := sha256.Sum256([]byte(secret))
	found := -1
	list := t.file.value()
	for i := range list {
		if subtle.ConstantTimeCompare(hash[:], list[i].hash[:]) == 1 {
			found = i
		}
	}
	if found < 0 {
		return "", &authError{"the bearer token is not known"}
	}
	return list[found].name, nil
}

type callerKey struct{}

// callerOf is the name of the token that a call came with, "" where none is asked
// for.
func callerOf(ctx context.Context) string {
	name, _ := ctx.Value(callerKey{}).(string)
	return name
}

// admit is the auth function of the interceptors.
func (t *tokens) admit(ctx context.Context) (context.Context, error) {
	header, _ := metadata.FromIncomingContext(ctx)
	name, err := t.caller(header)
	if err != nil {
		return nil, err
	}
	if name != "" {
		logging.AddFields(ctx, logging.Fields{"caller", name})
		ctx = context.WithValue(ctx, callerKey{}, name)
	}
	if t.rate > 0 {
		if wait := t.take(name); wait > 0 {
			return nil, &overloadError{retry: wait, what: "too many calls a second"}
		}
	}
	return ctx, nil
}

// take counts a call of name; it returns how long to wait where it is one too
// many.
func (t *tokens) take(name string) time.Duration {
	t.mu.Lock()
	l := t.limiters[name]
	if l == nil {
		l = rate.NewLimiter(rate.Limit(t.rate), t.burst)
		t.limiters[name] = l
	}
	t.mu.Unlock()
	r := l.Reserve()
	if !r.OK() {
		return time.Second
	}
	wait := r.Delay()
	if wait > 0 {
		r.Cancel()
	}
	return wait
}
