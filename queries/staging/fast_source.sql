-- One plain delimited file as text columns, strictly: a record of another width stops the reading.
read_csv(
    ${path},
    auto_detect = false,
    header = false,
    skip = ${skipped},
    delim = ${delimiter},
    quote = ${quote},
    escape = ${quote},
    nullstr = '',
    strict_mode = true,
    null_padding = false,
    parallel = ${parallel},
    compression = ${compression},
    max_line_size = 4194304,
    columns = {${columns}}
)
