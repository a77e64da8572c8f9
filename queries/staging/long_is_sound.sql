-- Whether every record of a long file can be kept as it was grouped.
select
    (select bool_and(sound) and sum(strange) = 0 from circuits)
    and not exists (from drawn_in)
    and not exists (from off_grid)
