-- Macros that turn a cell's text into a value; each gives null where the text is no such value.

-- The cell without surrounding blanks; null where nothing is left.
create or replace temp macro cell_text(written) as
nullif(trim(written, chr(32) || chr(9) || chr(10) || chr(13) || chr(160)), '');

-- The cell's text, null where it is one of the texts that mean "no value" (lower case).
create or replace temp macro cell_value(written, missing) as
case when list_contains(missing, lower(cell_text(written))) then null else cell_text(written) end;

-- A number as people write it: currency signs, blanks and thousands separators are passed over, and so are accounting
-- parentheses and the unit that `suffix` (a regular expression) allows.
create or replace temp macro bare_number(written, suffix) as
regexp_replace(regexp_replace(written, suffix, '', 'i'), '[\s$€£' || chr(160) || ']', '', 'g');

create or replace temp macro tidy_number(written, decimal_sign, suffix) as
regexp_replace(
    case
        when decimal_sign = ',' then replace(replace(bare_number(written, suffix), '.', ''), ',', '.')
        when regexp_full_match(bare_number(written, suffix), '[-+(]?\d{1,3}(,\d{3})+(\.\d*)?\)?')
            then replace(bare_number(written, suffix), ',', '')
        else bare_number(written, suffix)
    end,
    '^\((.+)\)$', '-\1'
);

create or replace temp macro finite_number(written) as
case when isfinite(try_cast(written as double)) and not contains(written, '_') then try_cast(written as double) end;

create or replace temp macro as_number(written, decimal_sign, suffix) as
coalesce(
    case when decimal_sign = '.' then finite_number(written) end,
    finite_number(tidy_number(written, decimal_sign, suffix))
);

-- Whether an ISO 8601 text ends in an offset from UTC.
create or replace temp macro has_offset(written) as
contains(written, ':')
and (
    right(written, 1) in ('Z', 'z')
    or substr(written, -6, 1) in ('+', '-')
    or substr(written, -5, 1) in ('+', '-')
    or substr(written, -3, 1) in ('+', '-')
);

-- The local part of an ISO 8601 text.
create or replace temp macro iso_local(written) as
try_cast(regexp_replace(written, '(:\d{2}(?:\.\d+)?)\s*(?:z|[+-]\d{2}(?::?\d{2})?)$', '\1', 'i') as timestamp);

-- Seconds east of UTC of an ISO 8601 text that has an offset.
create or replace temp macro iso_offset_s(written) as
case
    when not has_offset(written) then null
    when right(written, 1) in ('Z', 'z') then 0
    else
        case when regexp_extract(written, '([+-])\d{2}(?::?\d{2})?$', 1) = '-' then -1 else 1 end
        * (
            cast(regexp_extract(written, '[+-](\d{2})(?::?\d{2})?$', 1) as integer) * 3600
            + coalesce(try_cast(regexp_extract(written, '[+-]\d{2}:?(\d{2})$', 1) as integer), 0) * 60
        )
end;
