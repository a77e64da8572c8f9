case
    when coalesce(${cells}) is null then 'every cell is empty'
    when contains(${first}, ${first_name}) then case when ${header} then 'repeated header line' end
    when ${clock} is null then case when regexp_full_match(trim(${first}), ${totals}) then 'totals line' end
end
