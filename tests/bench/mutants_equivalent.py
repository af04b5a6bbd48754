"""Mutants that no input can tell from the module, looked at one by one; `mutants.py` counts them apart."""

# Operator, line of the module, the same line of the mutant (regular expressions, in full), and why no input can tell.
EQUIVALENT = (
    ("Replace.*Mul_Div", r".*\*,.*", r".*/,.*", "called by name all the same"),
    ("ReplaceTrueWithFalse", r"@dataclass\(.*slots=True.*\)", r".*slots=False.*", "slots change no result"),
    ("ReplaceTrueWithFalse", r".*strict=True.*", r".*strict=False.*", "what is zipped is of one length"),
    (".*Gt_NotEq", r".*len\(found\) > len\(named\).*", ".*", "a part is never the longer"),
    (".*Gt_NotEq", r".*len\(names\) > 1.*", ".*", "a suspect tap has a stage beside it"),
    (".*Invert_USub", r".*(\(~judged\[|\[~is_unknown).*", ".*", "the same for truth values"),
    (".*Eq_LtE", r".*if missing == 1 else.*", ".*", "it is asked where some are missing"),
    ("NumberReplacer", r".*blocks, 0\.0\)", r".*-1\.0\)", "a variance is not below 0"),
    ("Replace.*BitAnd_(Mul|Pow)", r".*(is(finite|nan)\(|depth < w\)|unresolved &|notna\(\)).*", ".*", "truth values"),
    (".*Eq_LtE", r".*is_unresolved & .*== PointVerdict.FAIL.*", ".*", "what is not resolved fails or is open"),
    (".*Is_LtE", r".*self\._state is State\.MOVING and.*", ".*", "the least in the alphabet"),
    (".*Eq_Is", r".* == inf:", ".*", "one object"),
    ("NumberReplacer", r".*expm1\(min\(span, 1\.0.*", r".*span, 2\.0.*", "from ln 2 on the other limit holds"),
    (".*GtE_Gt", r".*at_s >= self\.rule\.step_takes_s:", ".*", "no reading falls on a logarithm"),
    ("Replace.*Sub_Add", r"self\._shrink = .*", r".*\(1 \+ .*", "the other root has the same square"),
    ("NumberReplacer", r"is_mirrored = below > 0", ".*", "both tails keep their digits between"),
    (".*Eq_LtE", r".*== Verdict.PASS\)", ".*", "a pass is the least number"),
    (".*Eq_LtE", r".*\b[uU](\[index\])? == 0.*", ".*", "U is never negative"),
    (".*LtE_Lt", r".*size <= width.*", ".*", "no number lies on the limit with its slack"),
    (".*Eq_Is", r".* == \"[^\"]+\":", ".*", "literals of one text are one object"),
    (
        "Replace.*Is(Not_Not|_)Eq",
        r".* is (not )?(None|State\.\w+|Verdict\.\w+).*",
        ".*",
        "each is the one object that equals it",
    ),
)
