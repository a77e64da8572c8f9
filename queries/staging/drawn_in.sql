-- Instants of circuits whose groups are looked at record by record although each alone is sound: those that are written
-- in more than one way, and those beside an hour that came twice, which show which way the file runs.
-- Grain: unit, circuit, instant.
create or replace temp table drawn_in as
with doubtful as (
    select
        places.meant as unit_id,
        ${circuit} as circuit
    from spellings as texts
    inner join places on places.written = cell_text(texts.unit_text)
    where places.meant is not null
    group by places.meant, circuit
    having count(*) > 1 or sum(texts.odd_times) > 0
),

twice as (
    select
        timed.unit_id,
        timed.circuit,
        timed.read_at
    from timed
    where
        timed.read_at is not null
        and not timed.ambiguous
        and exists (
            select 1
            from doubtful
            where
                doubtful.unit_id = timed.unit_id
                and doubtful.circuit is not distinct from timed.circuit
        )
    group by timed.unit_id, timed.circuit, timed.read_at
    having count(*) > 1
),

hours as (
    select
        unit_id,
        circuit,
        min(read_at) as first_at,
        max(read_at) as last_at
    from timed
    where ambiguous and unit_id is not null
    group by unit_id, circuit
),

beside as (
    select
        timed.unit_id,
        timed.circuit,
        max(case when timed.read_at < hours.first_at then timed.read_at end) as before_at,
        min(case when timed.read_at > hours.last_at then timed.read_at end) as after_at
    from timed
    inner join hours
        on
            hours.unit_id = timed.unit_id
            and hours.circuit is not distinct from timed.circuit
    where not timed.ambiguous
    group by timed.unit_id, timed.circuit
)

select * from twice
union
select
    unit_id,
    circuit,
    before_at
from beside
where before_at is not null
union
select
    unit_id,
    circuit,
    after_at
from beside
where after_at is not null
