-- Macros that turn a cell's text into a value; each gives null where the text is no such value.

-- The cell without surrounding blanks and byte order marks; null where nothing is left. Trimming is dear and seldom
-- needed, so the ends are looked at first.
create or replace temp macro cell_text(written) as
case
    when ascii(written) between 33 and 126 and ascii(right(written, 1)) between 33 and 126 then written
    else nullif(trim(written, chr(32) || chr(9) || chr(10) || chr(13) || chr(160) || chr(65279)), '')
end;

-- The cell's text, null where it is one of the texts that mean "no value" (lower case).
create or replace temp macro cell_value(written, missing) as
case when list_contains(missing, lower(cell_text(written))) then null else cell_text(written) end;

-- Whether a cell holds a value at all; where few cells are asked, this is planned quicker than `cell_value`.
create or replace temp macro holds_value(written, missing) as
not list_contains(missing, lower(trim(written, chr(32) || chr(9) || chr(10) || chr(13) || chr(160) || chr(65279))));

-- Letters and digits only, lower case: the form in which words of closed vocabularies are compared.
create or replace temp macro word_form(written) as
coalesce(
    nullif(regexp_replace(lower(nfc_normalize(written)), '[^\p{L}\p{N}]', '', 'g'), ''),
    cell_text(written)
);

-- A number that the machine reads as it is.
create or replace temp macro plain_number(written) as
case when isfinite(try_cast(written as double)) and not contains(written, '_') then try_cast(written as double) end;

-- Currency signs and blanks are passed over, and so is the unit that `suffix` (a regular expression) allows.
create or replace temp macro bare_number(written, suffix) as
regexp_replace(regexp_replace(cell_text(written), suffix, '', 'i'), '[\s$€£' || chr(160) || ']', '', 'g');

-- Thousands separators, where they stand as such, and accounting parentheses.
create or replace temp macro tidy_number(bare, decimal_sign) as
regexp_replace(
    case
        when decimal_sign = ',' and regexp_full_match(bare, '[-+(]*\d{1,3}(\.\d{3})+(,\d*)?\)?')
            then replace(replace(bare, '.', ''), ',', '.')
        when decimal_sign = ',' and not contains(bare, '.') then replace(bare, ',', '.')
        when decimal_sign = '.' and regexp_full_match(bare, '[-+(]*\d{1,3}(,\d{3})+(\.\d*)?\)?')
            then replace(bare, ',', '')
        when decimal_sign = '.' then bare
    end,
    '^\((.+)\)$', '-\1'
);

-- A number as people write it. What is plain is taken as it is; the rest is seldom and is looked at closely. (The
-- branches of a case are evaluated only where they are taken, those of a coalesce everywhere. A lambda stands for a name
-- given to a value: a macro that repeats its argument would grow beyond what can be planned quickly.)
create or replace temp macro as_number(written, decimal_sign, suffix) as
case
    when decimal_sign = '.' and plain_number(written) is not null then plain_number(written)
    when decimal_sign = ',' and not contains(written, '.') and plain_number(replace(written, ',', '.')) is not null
        then plain_number(replace(written, ',', '.'))
    when written is not null
        then list_transform(
            list_transform([bare_number(written, suffix)], lambda bare: tidy_number(bare, decimal_sign)),
            lambda tidy: plain_number(tidy)
        )[1]
end;

-- The number, null where it is one of those that mean "no value".
create or replace temp macro unless_missing(number, missing) as
list_transform([number], lambda given: case when list_contains(missing, given) then null else given end)[1];

-- Whether an ISO 8601 text ends in an offset from UTC.
create or replace temp macro has_offset(written) as
contains(written, ':')
and length(written) > 13
and (
    right(written, 1) in ('Z', 'z')
    or contains(substr(written, 12), '+')
    or contains(substr(written, 12), '-')
);

-- A local ISO 8601 text; what follows a time (a half of the day, a zone's name) is not passed over.
create or replace temp macro iso_local(written) as
case
    when try_strptime(written, '%Y-%m-%d %H:%M:%S') is not null then try_strptime(written, '%Y-%m-%d %H:%M:%S')
    when regexp_full_match(written, '\d{4}-\d{1,2}-\d{1,2}([T ]\d{1,2}:\d{2}(:\d{2}([.,]\d{1,9})?)?)?', 'i')
        then try_cast(replace(written, ',', '.') as timestamp)
end;

-- The local part of an ISO 8601 text that may have an offset.
create or replace temp macro iso_offset_local(written) as
iso_local(regexp_replace(written, '(:\d{2}(?:[.,]\d+)?)\s*(?:z|[+-]\d{2}(?::?\d{2})?)$', '\1', 'i'));

-- Seconds east of UTC of an ISO 8601 text that has an offset.
create or replace temp macro iso_offset_s(written) as
case
    when not has_offset(written) then null
    when right(written, 1) in ('Z', 'z') then 0
    else
        case when regexp_extract(written, '([+-])\d{2}(?::?\d{2})?$', 1) = '-' then -1 else 1 end
        * (
            try_cast(regexp_extract(written, '[+-](\d{2})(?::?\d{2})?$', 1) as integer) * 3600
            + coalesce(try_cast(regexp_extract(written, '[+-]\d{2}:?(\d{2})$', 1) as integer), 0) * 60
        )
end;

-- The full hour nearest to an instant; half past belongs to the next.
create or replace temp macro nearest_hour(instant) as date_trunc('hour', instant + interval 30 minute);

-- Seconds from an instant to its nearest full hour; of two as near, the earlier one counts as nearer.
create or replace temp macro away_from_hour_s(instant) as
abs(date_diff('second', nearest_hour(instant), instant)) + case when instant > nearest_hour(instant) then 0.5 else 0 end;
