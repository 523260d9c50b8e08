package main

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// exact are the functions of package math whose results have but one right value, or none
// that a processor could round otherwise.
const exact = " Abs Ceil Copysign Float32bits Float64bits Floor Frexp Inf IsInf IsNaN Ldexp Mod NaN Remainder Round RoundToEven Signbit Sqrt Trunc "

// Sound is the same to the last bit on every processor: its packages round each product of
// numbers by an explicit conversion, so that no compiler fuses it with a sum (The Go
// Programming Language Specification, Floating-point operators), and take only exact functions
// from package math. transcode/portable says more.
func TestSoundIsTheSameOnEveryProcessor(t *testing.T) {
	packages := []string{"transcode/portable", "transcode/sound", "transcode/loudness", "transcode"}
	exports := map[string]string{}
	args := []string{"-deps", "-export", "-f", "{{.ImportPath}}\t{{.Export}}"}
	for _, p := range packages {
		args = append(args, "./"+p)
	}
	for _, line := range goList(t, args...) {
		path, file, _ := strings.Cut(line, "\t")
		exports[path] = file
	}
	fset := token.NewFileSet()
	compiled := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	products, calls := 0, 0
	for _, p := range packages {
		var files []*ast.File
		for _, name := range goList(t, "-f", "{{range .GoFiles}}{{.}}\n{{end}}", "./"+p) {
			f, err := parser.ParseFile(fset, filepath.Join("..", "..", p, name), nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
		}
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
		if _, err := (&types.Config{Importer: compiled}).Check(module+"/"+p, fset, files, info); err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			seen, called := fused(f, info, func(at token.Pos, what string) {
				t.Errorf("%v: %s", fset.Position(at), what)
			})
			products, calls = products+seen, calls+called
		}
	}
	t.Logf("%d products and %d calls of package math looked at", products, calls)
	if products < 100 || calls < 20 {
		t.Errorf("%d products and %d calls of package math are looked at", products, calls)
	}
}

// fused finds products that a compiler may fuse and functions of package math that are not
// exact, and returns how many of either there are.
func fused(f *ast.File, info *types.Info, found func(token.Pos, string)) (products, calls int) {
	isFloat := func(e ast.Expr) bool {
		v := info.Types[e]
		basic, ok := types.Default(v.Type).Underlying().(*types.Basic)
		return ok && v.Value == nil && basic.Info()&types.IsFloat != 0
	}
	// rounded tells whether a product that stands in these nodes, innermost last, meets no sum
	// before it is rounded.
	rounded := func(stack []ast.Node) bool {
		for i := len(stack) - 1; i >= 0; i-- {
			switch outer := stack[i].(type) {
			case *ast.ParenExpr:
				continue
			case *ast.CallExpr: // a conversion, or what rounds more than that
				name, _ := outer.Fun.(*ast.SelectorExpr)
				return info.Types[outer.Fun].IsType() || name != nil && strings.Contains(" Ceil Floor Round RoundToEven Sqrt Trunc ", " "+name.Sel.Name+" ")
			case *ast.BinaryExpr:
				switch outer.Op {
				case token.MUL, token.QUO, token.LSS, token.GTR, token.LEQ, token.GEQ, token.EQL, token.NEQ:
					return true
				}
			}
			return false
		}
		return false
	}
	var stack []ast.Node
	ast.Inspect(f, func(n ast.Node) bool {
		if n == nil {
			stack = stack[:len(stack)-1]
			return true
		}
		switch x := n.(type) {
		case *ast.BinaryExpr:
			if x.Op == token.MUL && isFloat(x) {
				if products++; !rounded(stack) {
					found(x.OpPos, "a product that may be fused with a sum: float64(x*y)")
				}
			}
		case *ast.AssignStmt:
			if x.Tok == token.MUL_ASSIGN && isFloat(x.Lhs[0]) {
				products++
				found(x.TokPos, "a product that may be fused with a sum: x = float64(x*y)")
			}
		case *ast.SelectorExpr:
			if fn, ok := info.Uses[x.Sel].(*types.Func); ok && fn.Pkg() != nil && fn.Pkg().Path() == "math" {
				if calls++; !strings.Contains(exact, " "+fn.Name()+" ") {
					found(x.Pos(), "math."+fn.Name()+" may differ from processor to processor")
				}
			}
		}
		stack = append(stack, n)
		return true
	})
	return products, calls
}

// The look itself, at what the specification says may be fused and may not.
func TestAProductThatMayBeFusedIsSeen(t *testing.T) {
	const head = "package p\nimport \"math\"\nvar x, y, z, r float64\nvar s, u float32\nvar n int\nvar _ = math.Pi\nfunc f() {\n"
	for text, want := range map[string]int{
		"r = x*y + z": 1, "r = z; r += x*y": 1, "r = x*y": 1, "r = z - x*y": 1, "r = -(x*y)": 1, "r = math.Abs(x*y)": 1, "x *= y": 1, "s = s*u + 1": 1, "r = x*2 + 1": 1,
		"r = float64(x*y) + z": 0, "r = z; r += float64(x*y)": 0, "r = float64((x*y)) + z": 0, "r = float64(x*y*z)": 0, "r = x*y/z": 0, "n = n*n + 1": 0, "r = 2*math.Pi + z": 0,
		"s = float32(s*u) + 1": 0, "n = int(x*y)": 0, "if x*y > z { n++ }": 0, "r = math.Sin(x)": 1, "r = math.Sqrt(x*y) + z": 0, "r = float64(x*y + z*z)": 2,
	} {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, "p.go", head+text+"\n}\n", 0)
		if err != nil {
			t.Fatal(err)
		}
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
		if _, err := (&types.Config{Importer: importer.ForCompiler(fset, "source", nil)}).Check("p", fset, []*ast.File{f}, info); err != nil {
			t.Fatal(err)
		}
		got := 0
		fused(f, info, func(token.Pos, string) { got++ })
		if got != want {
			t.Errorf("%s: %d found, want %d", text, got, want)
		}
	}
}
