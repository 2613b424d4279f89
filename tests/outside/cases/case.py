"""One row of the corpus, and the list that gathers them."""

CASES = []


def case(case_name, files, args=None, *, rejected=(), may=(), warn=(), notes=(), exit=None, kinds=None,
         anchored=None, values=None, as_=None, trust=(), clause="", quiet=False, options=()):
    """Adds a case.

    files     {path: octets}; a path that ends in `/` is a directory
    args      what is examined; by default every file that is neither trusted nor an option's
    rejected  error rules that must be found, `a|b` where either will do, `rule@subject` where
              the subject matters; empty: accepted
    may       further error rules that may be found; `*` at the end stands for anything
    warn      rules that must be found as warnings; notes: as notes
    exit      the set of exit codes allowed, by default 1 where `rejected`, else 0
    kinds     the kind of each subject, by file name, or a sorted list
    quiet     nothing but these warnings (chain.test-identity notes aside) may be found
    """
    assert case_name not in {c["name"] for c in CASES}, case_name
    trust = list(trust)
    options = list(options)
    if args is None:
        args = [f for f in files if f not in trust and f not in options and "/" not in f]
    args = list(args)
    if as_:
        args += ["--as", as_]
    for path in trust:
        args += ["--trust", path]
    CASES.append(dict(
        name=case_name, files=files, args=args + options, rejected=list(rejected), may=list(may),
        warn=list(warn), notes=list(notes), kinds=kinds, anchored=anchored, values=values or {},
        exit=sorted(exit) if exit else [1 if rejected else 0], clause=clause, quiet=quiet))
